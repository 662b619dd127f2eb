"""Programs that write to the site at once, each its own patients, and remember what they were told.

Every write that was answered with success is acknowledged. One without such an answer may be on record or
not; sent again under its key it has to come out once.
"""

import itertools
import threading
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import httpx

from registry.api.examples import OPERATION, PATIENT

WRITERS = 20
PAUSE = 0.05
_numbers = itertools.count(1)


@dataclass(slots=True)
class Write:
    """One write: what was sent, and what came back."""

    kind: str
    path: str
    body: dict[str, Any]
    # Of what creates the idempotency key, of a correction its reason.
    key: str = field(default_factory=lambda: uuid.uuid4().hex)
    uuid: str = ""
    is_acknowledged: bool = False
    answer: str = ""


class Writers:
    """So many clients of one key, and all their writes."""

    def __init__(self, address: str, key: str) -> None:
        self.address, self.key = address, key
        self.writes: list[Write] = []
        self.ended = threading.Event()

    @property
    def acknowledged(self) -> list[Write]:
        return [write for write in self.writes if write.is_acknowledged]

    @property
    def unanswered(self) -> list[Write]:
        return [write for write in self.writes if not write.is_acknowledged]

    @contextmanager
    def at_work(self, count: int = WRITERS) -> Iterator[None]:
        """So many of them writing while the block runs."""
        self.ended.clear()
        threads = [threading.Thread(target=self._work) for _ in range(count)]
        for thread in threads:
            thread.start()
        try:
            yield
        finally:
            self.ended.set()
            for thread in threads:
                thread.join()

    def wait_for(self, acknowledged: int, seconds: float = 60) -> None:
        """Until so many writes more are acknowledged."""
        aim, until = len(self.acknowledged) + acknowledged, time.monotonic() + seconds
        while len(self.acknowledged) < aim:
            assert time.monotonic() < until, f"only {len(self.acknowledged)} of {aim} writes acknowledged"
            time.sleep(PAUSE / 5)

    def repeat_unanswered(self) -> list[Write]:
        """What creates, sent again under the same key; corrections are left as they are."""
        again = [write for write in self.unanswered if write.kind != "correction"]
        with self._web() as web:
            for write in again:
                self._create(web, write)
        return again

    def _web(self) -> httpx.Client:
        return httpx.Client(
            base_url=f"{self.address}/api/v1", headers={"Authorization": f"Bearer {self.key}"}, timeout=60
        )

    def _work(self) -> None:
        with self._web() as web:
            while not self.ended.is_set():
                if not self._course(web):
                    time.sleep(PAUSE)

    def _course(self, web: httpx.Client) -> bool:
        """A new patient, an operation with its parts, and its correction; whether all was acknowledged."""
        body = {**PATIENT, "hospital_number": f"NM {next(_numbers):07}"}
        patient = self._create(web, Write("patient", "/patients/", body))
        if not patient.is_acknowledged:
            return False
        body = {**OPERATION, "patient": patient.uuid}
        operation = self._create(web, Write("operation", "/operations/", body))
        return operation.is_acknowledged and self._correct(web, operation)

    def _create(self, web: httpx.Client, write: Write) -> Write:
        if answer := self._sent(web, write, "POST", {"Idempotency-Key": write.key}):
            write.uuid = answer.json()["uuid"]
        return write

    def _correct(self, web: httpx.Client, operation: Write) -> bool:
        path = f"/operations/{operation.uuid}/"
        try:
            read = web.get(path)
        except httpx.TransportError:
            return False
        if read.is_server_error:
            return False
        write = Write("correction", path, {"bmi": 31.5}, uuid=operation.uuid)
        write.body["correction_reason"] = write.key
        return self._sent(web, write, "PATCH", {"If-Match": read.headers["ETag"]}) is not None

    def _sent(
        self, web: httpx.Client, write: Write, method: str, headers: dict[str, str]
    ) -> httpx.Response | None:
        """The answer, when it acknowledges the write."""
        try:
            answer = web.request(method, write.path, json=write.body, headers=headers)
        except httpx.ConnectError:
            return None  # nothing was sent
        except httpx.TransportError as error:
            answer, write.answer = None, type(error).__name__
        else:
            write.answer = f"{answer.status_code} {answer.text}"
            write.is_acknowledged = answer.is_success
        if write not in self.writes:
            self.writes.append(write)
        return answer if write.is_acknowledged else None
