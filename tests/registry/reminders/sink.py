"""A mail server in a process of its own, which keeps what it accepts and can kill whoever sends.

    python -m tests.registry.reminders.sink FOLDER

It prints its port. FOLDER/mails holds the accepted mails, a line of JSON each. FOLDER/plan may say when to
kill the process named in FOLDER/sender: "rcpt 3" at its third RCPT, "after 20" twenty milliseconds after its
first MAIL. It refuses "refused-550@..." with that code, "unwanted-554@..." after the whole message.
"""

import asyncio
import json
import os
import re
import signal
import sys
from collections import Counter
from pathlib import Path
from typing import Any

from aiosmtpd.smtp import SMTP, Envelope, Session

FOLDER = Path(sys.argv[1])
_seen: Counter[tuple[str, str]] = Counter()


def moment(name: str) -> None:
    """Kill the sender if that is planned for now."""
    sender, plan = (FOLDER / "sender").read_text().strip(), (FOLDER / "plan").read_text().split()
    _seen[sender, name] += 1
    if plan == [name, str(_seen[sender, name])]:
        kill(int(sender))
    if plan[:1] == ["after"] and (name, _seen[sender, name]) == ("mail", 1):
        asyncio.get_running_loop().call_later(int(plan[1]) / 1000, kill, int(sender))


def kill(sender: int) -> None:
    if (FOLDER / "sender").read_text().strip() == str(sender):
        os.kill(sender, signal.SIGKILL)


class Server(SMTP):
    """Every step of a mail is a moment: before the answer to it, and where two are named, after it too."""

    async def smtp_MAIL(self, arg: str) -> None:  # noqa: N802 - the name of the command
        moment("mail")
        await super().smtp_MAIL(arg)

    async def smtp_RCPT(self, arg: str) -> None:  # noqa: N802
        moment("rcpt")
        await super().smtp_RCPT(arg)

    async def smtp_DATA(self, arg: str) -> None:  # noqa: N802
        moment("data")
        await super().smtp_DATA(arg)
        moment("answered")

    async def smtp_QUIT(self, arg: str) -> None:  # noqa: N802
        moment("quit")
        await super().smtp_QUIT(arg)

    async def push(self, status: Any) -> None:
        await super().push(status)
        if str(status).startswith("354"):
            moment("go-ahead")


class Keeper:
    """Keeps each mail before it is answered for."""

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if told := re.match(r"refused-(\d+)@", address):
            return f"{told[1]} not for {address}"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        (address,) = envelope.rcpt_tos
        if told := re.match(r"unwanted-(\d+)@", address):
            return f"{told[1]} not wanted by {address}"
        content = bytes(envelope.content or b"").decode()
        with (FOLDER / "mails").open("a") as mails:
            mails.write(json.dumps({"to": address, "content": content}) + "\n")
        moment("dot")
        return "250 OK"


async def main() -> None:
    loop = asyncio.get_running_loop()
    server = await loop.create_server(lambda: Server(Keeper(), loop=loop), "127.0.0.1", 0)
    sys.stdout.write(f"{server.sockets[0].getsockname()[1]}\n")
    sys.stdout.flush()
    await server.serve_forever()


if __name__ == "__main__":
    asyncio.run(main())
