"""From a verdict to a design that works: many changed versions of one case, run as ordinary runs that end
with their verdict, kept small, never computed twice; and the questions that such runs answer.
"""

__all__ = [
    "found_design", "found_page", "goal_terms", "limit", "measure", "new_case", "optimise", "page", "plots",
    "record", "remedies", "search_result", "sensitivity", "study", "sweep", "table",
]  # fmt: skip
