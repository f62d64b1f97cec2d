"""The known line, and a server that shows it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from known_line import KnownLine, make_known_line, served

from deblend.view.serve import Viewing


@pytest.fixture(scope="session")
def known(tmp_path_factory: pytest.TempPathFactory) -> KnownLine:
    return make_known_line(tmp_path_factory.mktemp("known"))


@pytest.fixture(scope="module")
def server(known: KnownLine) -> Iterator[Viewing]:
    with served(known.out) as viewed:
        yield viewed
