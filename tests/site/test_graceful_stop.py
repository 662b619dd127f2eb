"""Told to stop, the site finishes the requests in hand and takes no others; it needs no database for that."""

import signal
import subprocess
import threading
import time
from http.client import HTTPConnection
from pathlib import Path

from tests.site.running import free_port, is_listening
from tests.site.test_canaries import HOST, environment_of


def test_a_request_in_hand_is_answered_and_no_other_is_taken(tmp_path: Path) -> None:
    port, answers = free_port(), []
    began = tmp_path / "began"
    environment = environment_of("postgresql://rimward@127.0.0.1:1/rimward", tmp_path)
    environment["SLOW_BEGAN"] = str(began)
    words = ["gunicorn", "registry.site.wsgi", "--config=python:registry.site.gunicorn_settings"]
    words += [f"--bind=127.0.0.1:{port}", "--threads=2", "--no-control-socket"]
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen(words, env=environment, cwd=tmp_path, stdout=log, stderr=log)

    def ask_slowly() -> None:
        connection = HTTPConnection("127.0.0.1", port, timeout=120)
        connection.request("GET", "/slow/", headers={"Host": HOST, "X-Forwarded-Proto": "https"})
        response = connection.getresponse()
        answers.append((response.status, response.read()))
        connection.close()

    asked = threading.Thread(target=ask_slowly)
    try:
        while not is_listening(port):
            assert process.poll() is None, (tmp_path / "log").read_text()
            time.sleep(0.05)
        asked.start()
        while not began.exists():
            time.sleep(0.02)
        process.send_signal(signal.SIGTERM)
        while is_listening(port):
            time.sleep(0.02)
        assert answers == [], "the request was in hand when the site stopped listening"
        asked.join(timeout=30)
        assert answers == [(200, b"answered whole")]
        assert process.wait(timeout=30) == 0
    finally:
        process.kill()
        process.wait()
