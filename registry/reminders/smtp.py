"""Django's SMTP backend, with one moment made known: all of a message is sent but the dot that ends it.

Until that dot the server has accepted nothing, and drops what it got when the connection ends (RFC 5321,
4.1.1.4). After it, only the server's answer tells.
"""

import smtplib
from collections.abc import Callable
from typing import Any

from django.core.mail.backends import smtp

DOT = b".\r\n"


def _nothing() -> None:
    return None


class _DotApart(smtplib.SMTP):
    """Calls `before_the_dot`; where that fails, the connection ends with the message unfinished."""

    before_the_dot: Callable[[], None] = staticmethod(_nothing)

    def send(self, s: Any) -> None:
        # smtplib sends commands as text, and as bytes the whole message alone, dot included.
        if not isinstance(s, bytes):
            super().send(s)
            return
        super().send(s.removesuffix(DOT))
        try:
            self.before_the_dot()
        except BaseException:
            # Not QUIT: the server would read it as a line of the message.
            self.close()
            raise
        super().send(DOT)


class _DotApartOverTLS(_DotApart, smtplib.SMTP_SSL):
    pass


class EmailBackend(smtp.EmailBackend):
    """SMTP by the usual settings; `before_the_dot` is called once a message and may still call it off."""

    def __init__(self, *args: Any, before_the_dot: Callable[[], None] = _nothing, **options: Any) -> None:
        super().__init__(*args, **options)
        self.before_the_dot = before_the_dot

    @property
    def connection_class(self) -> type[smtplib.SMTP]:
        return _DotApartOverTLS if self.use_ssl else _DotApart

    def open(self) -> bool | None:
        opened = super().open()
        if isinstance(self.connection, _DotApart):
            self.connection.before_the_dot = self.before_the_dot
        return opened
