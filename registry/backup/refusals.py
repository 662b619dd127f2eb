"""Why no backup was made, or none was put back."""


class BackupRefused(ValueError):  # noqa: N818 - said to a person as it stands
    """What is in the way and how to mend it; nothing was changed."""
