"""A made-up jam with the numbers it is judged by, and a reader of pages."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser

import made_results

from fem.results.result import Quantity, Result


def judged() -> Result:
    """The made-up jam with the numbers a run is judged by."""
    values = {"deploy_torque_peak_Nmm": 84.1, "motor_stall_torque_at_axle_Nmm": 48.0}
    numbers = {name: Quantity(value, "N mm") for name, value in values.items()}
    return replace(made_results.jammed(), quantities=numbers)


class Reader(HTMLParser):
    """Words outside scripts and styles, tags in order, and attributes that may reach outside."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words, self.links, self._open = "", list[str](), list[str]()
        self.ids, self.labels = list[str](), set[str]()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "style", "title", "noscript"):
            self._open.append(tag)
        for name, value in attrs:
            if name in ("src", "href", "action", "data", "srcset", "poster") and value:
                self.links.append(value)
            if name == "id" and value:
                self.ids.append(value)
            if name in ("for", "aria-describedby") and value:
                self.labels.add(value)

    def handle_endtag(self, tag: str) -> None:
        if self._open and self._open[-1] == tag:
            self._open.pop()

    def handle_data(self, data: str) -> None:
        if not self._open or self._open[-1] == "noscript":
            self.words += data
