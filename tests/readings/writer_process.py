"""Writers of marks in processes of their own, started quickly: one process imports, its children write.

On standard input: `write PLACE READER LIMIT PAUSE_MS`, one line a child; `open PLACE`, after which the
children that write there find the store open and write at once; `reap` to wait for all of them. On standard
output: `started PID`, a line for each batch that the store acknowledged, `opened`, `reaped N`.

A batch has one to five marks; each names the number of the batch (x_px), its place in it (y_px) and how
many there are (duration_s), so that half a batch is known without asking the store. Every third batch
begins with a correction of the first mark of the batch before.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Collection
from typing import IO, TYPE_CHECKING

from reading_rows import mark, table

if TYPE_CHECKING:
    from cohortlib.readings.store import Readings


def write_batches(store: Readings, reader_id: str, limit: int, pause_ms: int) -> None:
    """Write and tell, until killed or at the limit."""
    with store:
        first = None
        for number in range(limit):
            size = 1 + number % 5
            rows = [
                mark(reader_id=reader_id, x_px=float(number), y_px=float(step), duration_s=float(size))
                for step in range(size)
            ]
            if number % 3 == 2:
                rows[0]["supersedes"] = first
            stored = store.write_marks(table(*rows))
            ids = stored["mark_id"].tolist()
            first = ids[0]
            os.write(1, f"stored {reader_id} {number} {' '.join(map(str, ids))}\n".encode())
            time.sleep(pause_ms / 1000)


def main() -> None:
    """Take commands until the input ends."""
    from cohortlib.readings import open_readings

    # What is imported on first use is imported once, before there are children.
    with tempfile.TemporaryDirectory() as folder, open_readings(folder) as store:
        store.write_marks(table(mark()))
    opened: dict[str, Readings] = {}
    for line in sys.stdin:
        command, *rest = line.split()
        if command == "reap":
            failed = 0
            try:
                while True:
                    _, status = os.wait()
                    failed += os.WIFEXITED(status) and os.WEXITSTATUS(status) != 0
            except ChildProcessError:
                os.write(1, f"reaped {failed}\n".encode())
            continue
        if command == "open":
            opened = {rest[0]: open_readings(rest[0])}
            opened[rest[0]].close()  # a connection cannot be shared with a child
            os.write(1, b"opened\n")
            continue
        place, reader_id, limit, pause_ms = rest
        child = os.fork()
        if child == 0:
            try:
                store = opened.get(place) or open_readings(place)
                write_batches(store, reader_id, int(limit), int(pause_ms))
                os._exit(0)
            except BaseException as error:
                os.write(2, f"{reader_id}: {error}\n".encode())
                os._exit(1)
        os.write(1, f"started {child}\n".encode())


class Writers:
    """The other end: starts children, and hears what was acknowledged."""

    def __init__(self) -> None:
        folders = os.pathsep.join(filter(None, sys.path))
        self._process = subprocess.Popen(
            [sys.executable, __file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": folders, "OPENBLAS_NUM_THREADS": "1"},
        )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._input: IO[str] = self._process.stdin
        self._output: IO[str] = self._process.stdout
        #: reader → the ids of each acknowledged batch.
        self.acknowledged: dict[str, list[list[int]]] = {}
        self.failed = 0

    def start(self, place: str, reader_id: str, limit: int = 10**6, pause_ms: int = 0) -> int:
        """Start a child; its process id."""
        self._say(f"write {place} {reader_id} {limit} {pause_ms}")
        while (words := self._hear())[0] != "started":
            pass
        return int(words[1])

    def open(self, place: str) -> None:
        """Open a store, for all children that will write there."""
        self._say(f"open {place}")
        while self._hear()[0] != "opened":
            pass

    def wait_for_marks(self, reader_ids: Collection[str]) -> None:
        """Until the first batch of one of these children is acknowledged."""
        while not any(self.acknowledged.get(reader_id) for reader_id in reader_ids):
            self._hear()

    def reap(self) -> None:
        """Wait until all children are gone and everything they said was heard."""
        self._say("reap")
        while (words := self._hear())[0] != "reaped":
            pass
        self.failed += int(words[1])

    def close(self) -> None:
        """End the process."""
        self._input.close()
        self._process.wait(10)
        self._output.close()

    def _say(self, line: str) -> None:
        self._input.write(line + "\n")
        self._input.flush()

    def _hear(self) -> list[str]:
        words = self._output.readline().split()
        if not words:
            raise RuntimeError("the writers ended")
        if words[0] == "stored":
            self.acknowledged.setdefault(words[1], []).append([int(number) for number in words[3:]])
        return words


if __name__ == "__main__":
    main()
