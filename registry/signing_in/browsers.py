"""A browser in the few words by which its own person recognises it; of what it sends no more is kept.

Own code: the libraries for it carry tables of every device, and here a wrong guess costs nothing. Names are
looked for in order, because each browser also names those that it wants to be taken for.
"""

BROWSERS = (
    ("Edg", "Edge"), ("OPR/", "Opera"), ("SamsungBrowser", "Samsung Internet"), ("Firefox/", "Firefox"),
    ("FxiOS", "Firefox"), ("CriOS", "Chrome"), ("Chrome/", "Chrome"), ("Safari/", "Safari"),
)  # fmt: skip
SYSTEMS = (
    ("iPhone", "iPhone"), ("iPad", "iPad"), ("Android", "Android"), ("Windows", "Windows"),
    ("Mac OS X", "macOS"), ("CrOS", "ChromeOS"), ("Linux", "Linux"),
)  # fmt: skip
UNKNOWN = "Unknown browser"


def short_name(user_agent: str) -> str:
    """Such as "Firefox on Windows", from the User-Agent header (RFC 9110, 10.1.5)."""
    browser = _first(BROWSERS, user_agent) or UNKNOWN
    system = _first(SYSTEMS, user_agent)
    return f"{browser} on {system}" if system else browser


def _first(marks: tuple[tuple[str, str], ...], text: str) -> str:
    return next((name for mark, name in marks if mark in text), "")
