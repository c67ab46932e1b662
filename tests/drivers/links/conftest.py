"""A far end of every kind, put away after the test."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from tests.drivers.links.far_ends import ENDS, SOCKETS, FarEnd, SocketEnd

TERMINALS = {"serial", "serial through pyserial", "visa serial"}


def _marked(kind: str) -> object:
    skip = pytest.mark.skipif(os.name != "posix", reason="pseudo terminals are POSIX")
    return pytest.param(kind, marks=[skip] if kind in TERMINALS else [])


@pytest.fixture(params=[_marked(kind) for kind in ENDS])
def far_end(request: pytest.FixtureRequest) -> Iterator[FarEnd]:
    end = ENDS[request.param]()
    yield end
    end.put_away()


@pytest.fixture(params=SOCKETS)
def socket_end(request: pytest.FixtureRequest) -> Iterator[SocketEnd]:
    end = SOCKETS[request.param]()
    yield end
    end.put_away()
