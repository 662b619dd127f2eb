"""Why a release does not come about."""


class ReleaseRefusedError(Exception):
    """The release cannot be made safely; the message says why and what could be done."""
