"""The site as docker-compose.yml starts it, in processes that a test may kill."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

from tests.registry.apart import PROJECT
from tests.site.running import free_port, is_listening, start_command


def environment(database: str, folder: Path) -> dict[str, str]:
    """A local installation's, whose keys lie in the folder; its programs may ask as often as they like."""
    return os.environ | {
        "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
        "RIMWARD_MODE": "local",
        "RIMWARD_LOCAL_DIR": str(folder),
        "DATABASE_URL": database,
        "DJANGO_SETTINGS_MODULE": "registry.site.settings",
        "API_REQUESTS_A_MINUTE": "1000000",
    }


class Server:
    """The site's processes; what they say goes to a file."""

    def __init__(self, surroundings: dict[str, str], log: Path) -> None:
        self.surroundings, self.log = surroundings, log
        self.port = free_port()
        self.address = f"http://127.0.0.1:{self.port}"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self.log.open("ab") as said:
            self._process = subprocess.Popen(
                start_command(self.port),
                env=self.surroundings,
                cwd=PROJECT,
                stdout=said,
                stderr=said,
                start_new_session=True,
            )
        while not is_listening(self.port):
            assert self._process.poll() is None, f"the site stopped:\n{self.log.read_text()[-3000:]}"
            time.sleep(0.05)

    def kill(self) -> None:
        """SIGKILL to the master and every worker at once: none of them can do another thing."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        self._end(signal.SIGTERM)

    def is_running(self) -> bool:
        """Whether the master that was started is there still; it looks after its workers itself."""
        return self._process is not None and self._process.poll() is None

    def _end(self, how: signal.Signals) -> None:
        if self._process is None:
            return
        os.killpg(self._process.pid, how)
        self._process.wait(timeout=60)
        self._process = None
