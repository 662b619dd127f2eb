"""A value that cannot be read: which rule it breaks, and how to mend it."""


class Unclear(ValueError):  # noqa: N818 - told to a person with its mend
    """Rule and mend complete the sentence that a value begins: "'31.02.2020' is no day of the calendar"."""

    def __init__(self, rule: str, mend: str) -> None:
        super().__init__(rule)
        self.rule, self.mend = rule, mend
