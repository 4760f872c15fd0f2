"""A real mail server for the tests that want one, started once a session."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.support.mailserver import Certificates, Exim, certificates, exim


@pytest.fixture(scope="session")
def exim_server() -> Iterator[Exim]:
    with exim() as server:
        yield server


@pytest.fixture
def postbox(exim_server: Exim) -> Exim:
    """The running exim4 with nothing delivered and nobody put off."""
    exim_server.clear()
    exim_server.busy(False)
    return exim_server


@pytest.fixture(scope="session")
def certs(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return certificates(tmp_path_factory.mktemp("certificates"))
