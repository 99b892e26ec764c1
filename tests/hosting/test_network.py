"""The name on the network."""

from __future__ import annotations

import pytest

from shopkb.hosting import network


class Told:
    def __init__(self, held: list[str]) -> None:
        self.held, self.closed = held, False

    def close(self) -> None:
        self.closed = True


def test_the_name_is_told_anew_whenever_the_addresses_are_others(monkeypatch: pytest.MonkeyPatch) -> None:
    """None yet at the start; then the Wi-Fi's; then another one by the router."""
    made: list[Told] = []

    def announce(_port: int, held: list[str]) -> Told | None:
        made.append(Told(held))
        return made[-1] if held else None

    monkeypatch.setattr(network, "announce", announce)
    announcing = network.Announcing(8443)
    for held in ([], ["192.168.1.7"], ["192.168.1.7"], ["192.168.1.9"]):
        announcing.bring_up_to_date(held)
    assert [one.held for one in made] == [["192.168.1.7"], ["192.168.1.9"]]
    assert [one.closed for one in made] == [True, False]
    announcing.close()
    assert made[-1].closed
