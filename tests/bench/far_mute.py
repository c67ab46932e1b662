"""A process of its own: a tester that hears and never answers, and somebody who opens the input.

It both changes the input's file and receives the stop, so that one clock measures. Each trip:
told 'next <µs>' it closes the input and says so; when the first bytes of a look have come it waits
so long, writes 'open' and takes the time until the whole stop has come.
"""

from __future__ import annotations

import json
import socket
import sys
from pathlib import Path

from orchestrator.clock import SystemClock

CHUNK = 4096
CLOCK = SystemClock()


def main(file: str, stop: str) -> None:
    guard, wanted = Path(file), bytes.fromhex(stop)
    guard.write_bytes(b"closed")
    with socket.create_server(("127.0.0.1", 0)) as listener:
        _say({"port": listener.getsockname()[1]})
        connection, _ = listener.accept()
    with connection:
        for order in sys.stdin:
            guard.write_bytes(b"closed")
            _say({"closed": True})
            connection.recv(CHUNK)  # a look has begun; its answer will never come
            CLOCK.sleep(int(order.split()[1]) / 1e6)
            _say(_trip(connection, guard, wanted))


def _trip(connection: socket.socket, guard: Path, wanted: bytes) -> dict[str, object]:
    start_s = CLOCK.monotonic()
    guard.write_bytes(b"open")
    written_s = CLOCK.monotonic()
    heard = b""
    while wanted not in heard:
        came = connection.recv(CHUNK)
        if not came:
            raise ConnectionError("closed before the stop came")
        heard += came
    return {"trip_s": CLOCK.monotonic() - start_s, "write_s": written_s - start_s}


def _say(message: dict[str, object]) -> None:
    print(json.dumps(message), flush=True)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
