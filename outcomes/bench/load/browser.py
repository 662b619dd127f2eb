"""A browser as far as a bench needs one: cookies, forms, and how long each page took.

By the standard library alone, since the project needs no client of HTTP to run.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from html.parser import HTMLParser
from http.client import HTTPConnection, HTTPException
from http.cookies import SimpleCookie
from time import perf_counter
from urllib.parse import urlencode

PATIENCE = 120


@dataclass(frozen=True, slots=True)
class Asked:
    """One request: which page, how long it took, and whether it was answered as it should be."""

    page: str
    seconds: float
    status: int
    is_right: bool


@dataclass(frozen=True, slots=True)
class Page:
    """What came back. Status 0: nothing did."""

    status: int
    text: str
    location: str

    @property
    def inputs(self) -> dict[str, str]:
        """Names and values of its input fields."""
        reader = _Inputs()
        reader.feed(self.text)
        return reader.found


class Browser:
    """One person's, signed in already."""

    def __init__(self, port: int, cookies: Mapping[str, str]) -> None:
        self._port, self._cookies = port, dict(cookies)
        self.asked: list[Asked] = []

    def ask(
        self, name: str, path: str, form: Mapping[str, str] | None = None, right: tuple[int, ...] = (200,)
    ) -> Page:
        """GET, or POST when there is a form; a redirect is not followed."""
        begun = perf_counter()
        try:
            page = self._send(path, form)
        except (OSError, HTTPException):
            page = Page(0, "", "")
        self.asked.append(Asked(name, perf_counter() - begun, page.status, page.status in right))
        return page

    def _send(self, path: str, form: Mapping[str, str] | None) -> Page:
        headers = {"Cookie": "; ".join(f"{name}={value}" for name, value in self._cookies.items())}
        if form is not None:
            headers["Content-Type"] = "application/x-www-form-urlencoded"
        connection = HTTPConnection("127.0.0.1", self._port, timeout=PATIENCE)
        try:
            connection.request("POST" if form else "GET", path, urlencode(form) if form else None, headers)
            response = connection.getresponse()
            text = response.read().decode()
        finally:
            connection.close()
        for set_cookie in response.headers.get_all("Set-Cookie", []):
            self._cookies |= {name: morsel.value for name, morsel in SimpleCookie(set_cookie).items()}
        return Page(response.status, text, response.headers.get("Location", ""))


class _Inputs(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: dict[str, str] = {}

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        if tag == "input" and (name := told.get("name")):
            self.found[name] = told.get("value") or ""
