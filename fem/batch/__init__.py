"""Many cases: each from its lock to its result folder, side by side, over night, on a cluster; loops compiled
before the first of them.
"""

__all__ = ["batch", "case_files", "job", "precompile", "progress", "workers"]
