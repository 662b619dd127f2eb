"""What a browser would send of a page's form: its controls read out of the HTML, as they stand."""

from html.parser import HTMLParser

from django.http import HttpResponse

Sent = dict[str, list[str]]


class Controls(HTMLParser):
    """The values of the controls of one form."""

    def __init__(self, form_id: str) -> None:
        super().__init__()
        self.form_id = form_id
        self.sent: Sent = {}
        self.within = False
        self.select = ""
        self.first = True

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        has = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.within = has.get("id") == self.form_id
        elif self.within and tag == "input":
            self._input(has)
        elif self.within and tag == "select":
            self.select, self.first = has["name"], True
        elif self.select and tag == "option":
            self._option(has)

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self.within = False
        elif tag == "select":
            self.select = ""

    def _input(self, has: dict[str, str]) -> None:
        if has.get("type") in ("checkbox", "radio"):
            if "checked" in has:
                self.sent.setdefault(has["name"], []).append(has.get("value", "on"))
        else:
            self.sent.setdefault(has["name"], []).append(has.get("value", ""))

    def _option(self, has: dict[str, str]) -> None:
        # Without a choice made, the first one is sent.
        if self.first or "selected" in has:
            self.sent[self.select] = [has["value"]]
        self.first = False


def controls(response: HttpResponse, form_id: str = "operation-form") -> Sent:
    """Name and values of every control of the form, as a browser would send them untouched."""
    parser = Controls(form_id)
    parser.feed(response.content.decode())
    return parser.sent
