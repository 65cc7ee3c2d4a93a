"""SocketCAN keeps the contract of every bus."""

import pytest

from tests.service.bus_contract import BusContract


class TestSocketCan(BusContract):
    """The raw socket, on the kernel's virtual bus."""

    interface = "socketcan"

    @pytest.fixture
    def channel(self) -> str:
        """The bus that the userspace kernel has."""
        return "vcan0"
