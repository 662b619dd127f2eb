"""PostgreSQL's own programs, called with what Django knows of a database; passwords go by environment."""

import os
import re
import shutil
import subprocess

import psycopg
from psycopg.conninfo import make_conninfo

from registry.backup.engines.aliases import Config
from registry.backup.refusals import BackupRefused

MISSING = (
    "{program} is not on this machine's PATH. Install the client programs of PostgreSQL, at least of the "
    "server's version."
)
OLDER = (
    "{program} is of version {found}, the server of {server}: an older program cannot copy a newer server. "
    "Install the client programs of PostgreSQL {server}."
)
FAILED = "{program} broke off: {words} Nothing was changed."
_HIDDEN = {"password"}


def address(config: Config, *, secret: bool = False) -> str:
    """How libpq reaches a database; without its password unless that is asked for."""
    known = {option.keyword.decode() for option in psycopg.pq.Conninfo.get_defaults()}
    named = {"dbname": "NAME", "user": "USER", "password": "PASSWORD", "host": "HOST", "port": "PORT"}
    said = {word: str(config[name]) for word, name in named.items() if config.get(name)}
    said |= {word: value for word, value in config.get("OPTIONS", {}).items() if word in known}
    return make_conninfo(**{word: value for word, value in said.items() if secret or word not in _HIDDEN})


def run(program: str, *words: str, config: Config) -> None:
    """Run one of the programs on a database; what it refuses is told in its own words."""
    found = _found(program)
    password = config.get("PASSWORD") or config.get("OPTIONS", {}).get("password")
    done = subprocess.run(  # noqa: S603 - a program of PostgreSQL's with our own words
        [found, *words],
        env=os.environ | ({"PGPASSWORD": str(password)} if password else {}),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
    )
    if done.returncode:
        raise BackupRefused(FAILED.format(program=program, words=_said(done.stderr)))


def refuse_older(program: str, server_version: int) -> None:
    """Refuse a program that is missing or older than the server, whose version is libpq's number of it."""
    said = subprocess.run([_found(program), "--version"], capture_output=True, text=True, check=True).stdout  # noqa: S603
    found, server = int((re.search(r"(\d+)", said) or [0, 0])[1]), server_version // 10000
    if found < server:
        raise BackupRefused(OLDER.format(program=program, found=found, server=server))


def _found(program: str) -> str:
    if path := shutil.which(program):
        return path
    raise BackupRefused(MISSING.format(program=program))


def _said(stderr: str) -> str:
    """The first lines that tell what is wrong; what follows may hold rows."""
    lines = [line for line in stderr.splitlines() if "error" in line.lower()][:2]
    return " ".join(lines) or "it gave no reason."
