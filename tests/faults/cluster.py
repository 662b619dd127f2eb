"""A PostgreSQL server of a test's own, with every safety on, that may be stopped in the middle of things."""

import shutil
import subprocess
from pathlib import Path

import psycopg

from tests.servers import is_root, missing, run_as_server, server_programs


class Cluster:
    """Made, stopped and started by the programs that come with PostgreSQL."""

    def __init__(self, folder: Path) -> None:
        programs = server_programs()
        if programs is None:
            missing("postgresql", "none is installed, and the packaged one cannot be stopped like a real one")
        self.programs, self.folder, self.data = programs, folder, folder / "data"
        if is_root():
            shutil.chown(folder, "postgres", "postgres")
        run_as_server(programs / "initdb", "-D", self.data, "-A", "trust", "-U", "postgres", "-E", "UTF8")
        self.start()

    def start(self) -> None:
        listening = f"-c listen_addresses='' -c unix_socket_directories={self.folder}"
        run_as_server(*self._control, "-l", self.folder / "log", "-o", listening, "start")

    def stop_at_once(self) -> None:
        """As a power cut would have it, but for what the machine itself still holds."""
        run_as_server(*self._control, "-m", "immediate", "stop")

    def stop(self) -> None:
        run_as_server(*self._control, "-m", "fast", "stop")

    def url(self, name: str, through: Path | None = None) -> str:
        """Address of a database, by the server's own socket or by one that is in between."""
        return f"postgresql://postgres@/{name}?host={through or self.folder}"

    def database(self, name: str) -> str:
        """Address of a new, empty database."""
        with psycopg.connect(self.url("postgres"), autocommit=True) as server:
            server.execute(f"CREATE DATABASE {name}")
        return self.url(name)

    def check_indexes(self, name: str) -> None:
        """Every table and index read through and compared by PostgreSQL's own program."""
        checked = subprocess.run(
            [self.programs / "pg_amcheck", "--install-missing", "-h", self.folder, "-U", "postgres", name],
            capture_output=True,
            text=True,
        )
        assert checked.returncode == 0, checked.stdout + checked.stderr

    @property
    def _control(self) -> tuple[str | Path, ...]:
        return self.programs / "pg_ctl", "-D", self.data, "-w"
