"""An HTML page as a test reads it: text a person sees, scripts, attributes."""

from __future__ import annotations

import re
from html.parser import HTMLParser

VOID = {"meta", "input", "br", "link", "img", "hr"}


class Reader(HTMLParser):
    """Text a person sees, scripts, attributes; checks that every element is closed."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.words: list[str] = []
        self.scripts: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_startendtag(tag, attrs)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open[-1:] == [tag], f"</{tag}> closes nothing: {self.open}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if self.open[-1:] == ["script"]:
            self.scripts.append(data)
        elif self.open[-1:] != ["style"]:
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))
