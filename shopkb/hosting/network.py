"""Names and addresses under which other devices of the shop's network reach this computer."""

from __future__ import annotations

import socket
from collections.abc import Iterable
from contextlib import suppress
from ipaddress import ip_address

import ifaddr
from zeroconf import NonUniqueNameException, ServiceInfo, Zeroconf

OWN_NAME = "shopkb.local"
"""What this computer is called by mDNS (RFC 6762), whatever its own name is."""
SERVICE = "_https._tcp.local."


def addresses() -> list[str]:
    """IPv4 addresses of this computer's adapters that others can reach, private ones first. IPv6 ones that are for the
    link alone mean nothing to a browser, and those for everywhere change by the day. None where the system hides them.
    """
    try:
        adapters = list(ifaddr.get_adapters())
    except OSError:
        return []
    found = {
        str(one.ip)
        for adapter in adapters
        for one in adapter.ips
        if isinstance(one.ip, str) and not _is_unreachable(one.ip)
    }
    return sorted(found, key=lambda one: (not ip_address(one).is_private, one))


def names() -> list[str]:
    """Names of this computer, with the one it is given by mDNS."""
    own = socket.gethostname().lower().partition(".")[0]
    full = socket.getfqdn().lower()
    return sorted({OWN_NAME, f"{own}.local", *([full] if "." in full else [])} - {"localhost.localdomain"})


def announce(port: int, held: Iterable[str]) -> Zeroconf | None:
    """Tell the network that :data:`OWN_NAME` is at these addresses; ``None`` where that cannot be done. Close it at
    the end."""
    packed = [socket.inet_aton(one) for one in held]
    if not packed:
        return None
    info = ServiceInfo(SERVICE, f"Workshop knowledge base.{SERVICE}", port, addresses=packed, server=f"{OWN_NAME}.")
    with suppress(OSError):
        told = Zeroconf()
        with suppress(NonUniqueNameException):
            told.register_service(info, allow_name_change=True)
        return told
    return None


class Announcing:
    """The name on the network, told anew whenever the addresses of this computer are others than before: at a start
    the Wi-Fi may have none yet, and a router may give another one."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._held: list[str] = []
        self._told: Zeroconf | None = None

    def bring_up_to_date(self, held: list[str]) -> None:
        if held != self._held:
            self.close()
            self._told, self._held = announce(self._port, held), held

    def close(self) -> None:
        if self._told is not None:
            self._told.close()
        self._told, self._held = None, []


def is_this_computer(address: str) -> bool:
    """Whether a visitor's address is one that only programs of this computer have."""
    try:
        return ip_address(address).is_loopback
    except ValueError:
        return False


def _is_unreachable(address: str) -> bool:
    held = ip_address(address)
    return held.is_loopback or held.is_link_local
