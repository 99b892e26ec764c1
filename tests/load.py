"""How long answers take while many people work: ``python -m tests.load``, on both databases.

A shop of its own with a real server on this computer (as in :mod:`tests.faults`) and so many clients that book in,
follow and close jobs: 1, 8 and 32 that never wait, and 50 technicians who think for 20 seconds before each press.
Afterwards each thing that was acknowledged is looked for. With ``--keep NAME`` the table is put into ``tests/load.md``.

Clients and server share the processors of this computer. ``slowed`` tells how many times longer than alone a
computation took just before and after, because of whatever else was at work: 1 on a quiet computer. Exits with 1 where
anything failed or was lost, and with 2 where an answer beside eight writers took longer than it may.
"""

from __future__ import annotations

import argparse
import os
import random
import secrets
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.faults.shop import Acknowledged, Reply, Shop
from tests.proof import ROOT

PAPER = ROOT / "tests" / "load.md"
MOST_MS = {"SQLite": 500, "PostgreSQL": 300}
"""95th percentile of an answer beside eight writers."""


@dataclass(frozen=True)
class Crowd:
    name: str
    clients: int
    thinks: float = 0
    """Seconds on average before each press, between half and one and a half of it."""
    seconds: float = 20


CROWDS = (Crowd("1", 1), Crowd("8", 8), Crowd("32", 32), Crowd("50 who think for 20 s", 50, thinks=20, seconds=90))


@dataclass
class Seen:
    """Seconds of each request by its kind, what was acknowledged, and replies that were no success."""

    waits: dict[str, list[float]] = field(default_factory=lambda: {"page": [], "answer": [], "other": []})
    told: Acknowledged = field(default_factory=Acknowledged)
    odd: list[Reply] = field(default_factory=list)
    broken_off: list[str] = field(default_factory=list)


class Over(Exception):
    """The time is up, or a reply was no success: this client's job ends here."""


@dataclass
class One:
    """One client at one job after the other, until the time is up."""

    shop: Shop
    person: int
    thinks: float
    over: threading.Event
    seen: Seen

    def work(self) -> None:
        dice = random.Random(self.person)
        if self.thinks and self.over.wait(dice.uniform(0, self.thinks)):  # they do not all begin at once
            return
        while not self.over.is_set():
            try:
                self._job(dice)
            except Over:
                continue
            except OSError as error:
                self.seen.broken_off.append(repr(error))

    def _job(self, dice: random.Random) -> None:
        told, ids = self.seen.told, [str(uuid.uuid4()) for _ in range(5)]
        plate = f"SB {secrets.token_hex(5).upper()}"

        def sent(kind: str, path: str, client_id: str, **fields: str) -> str:
            def send() -> Reply:
                return self.shop.post(path, self.person, client_id=client_id, **fields)

            return self._timed(kind, send, dice)

        begun = time.monotonic()
        booked = self.shop.intake(self.person, ids[0], plate)
        job = self._noted("other", booked, begun)
        told.job.append(ids[0])
        at = sent("other", f"{job}start/horn-silent/", ids[1])
        told.run.append(ids[1])
        self._page(at, dice)
        sent("answer", f"{at}steps/press/answer/", ids[2], outcome="click")
        told.result.append(ids[2])
        sent("other", f"{at}values/battery/", ids[3], typed="12.4")
        told.value.append(ids[3])
        self._page(at, dice)
        sent("answer", f"{at}steps/supply/answer/", ids[4], outcome="weak", typed="7.0")
        told.result.append(ids[4])
        for part in ("Bumper off", "In the cabin"):
            sent("other", f"{at}put-back/", str(uuid.uuid4()), part=part)
        sent("other", f"{job}close/", str(uuid.uuid4()), disposition="declined", note="")
        told.closed.append(int(job.strip("/").rpartition("/")[2]))

    def _page(self, at: str, dice: random.Random) -> None:
        """The step to do now, behind the address of the run."""
        here = self._timed("page", lambda: self.shop.get(at, self.person), dice)
        if here:
            self._timed("page", lambda: self.shop.get(here, self.person), dice)

    def _timed(self, kind: str, send, dice: random.Random) -> str:  # type: ignore[no-untyped-def]
        if self.over.wait(self.thinks * dice.uniform(0.5, 1.5)):
            raise Over
        begun = time.monotonic()
        return self._noted(kind, send(), begun)

    def _noted(self, kind: str, reply: Reply, begun: float) -> str:
        self.seen.waits[kind].append(time.monotonic() - begun)
        if reply.status not in (200, 302):
            self.seen.odd.append(reply)
            raise Over
        return reply.location


def watched(shop: Shop, crowd: Crowd, seconds: float) -> Seen:
    """What this crowd saw in that time."""
    seen, over = Seen(), threading.Event()
    people = [
        threading.Thread(target=One(shop, number, crowd.thinks, over, seen).work) for number in range(crowd.clients)
    ]
    for person in people:
        person.start()
    time.sleep(seconds)
    over.set()
    for person in people:
        person.join()
    return seen


def share(waits: list[float], percent: int) -> float:
    """The percentile in milliseconds, by nearest rank."""
    ordered = sorted(waits)
    return 1000 * ordered[max(0, -(-len(ordered) * percent // 100) - 1)] if ordered else float("nan")


def lost(shop: Shop, told: Acknowledged) -> int:
    """How many of the things acknowledged are not there exactly once."""
    found = shop.found(told)
    kinds = [kind for kind in vars(told) if kind != "closed"]
    wrong = sum(times != 1 for kind in kinds for times in found[kind].values())
    return wrong + len(set(told.closed) - set(found["closed"]))


@contextmanager
def databases(chosen: list[str]) -> Iterator[dict[str, str]]:
    """Addresses by name; a throwaway server for PostgreSQL, which syncs as a shop's does."""
    with tempfile.TemporaryDirectory(prefix="shopkb-load-") as folder:
        script, notes = ROOT / ".ci" / "postgres", str(Path(folder) / "server")
        addresses = {"SQLite": ""} if "SQLite" in chosen else {}
        if "PostgreSQL" in chosen:
            durable = {**os.environ, "POSTGRES_DURABLE": "1"}
            told = subprocess.run(
                ["bash", script, "start", notes], env=durable, capture_output=True, text=True, check=True
            )
            addresses["PostgreSQL"] = told.stdout.strip().splitlines()[-1]
        try:
            yield addresses
        finally:
            if "PostgreSQL" in chosen:
                subprocess.run(["bash", script, "stop", notes], check=False)


def slowed() -> float:
    """How many times longer than alone a computation takes here just now, because others want the processors too."""
    begun, used = time.monotonic(), time.process_time()
    while time.process_time() - used < 0.5:
        sum(range(10_000))
    return (time.monotonic() - begun) / (time.process_time() - used)


HEAD = """\
| database | clients | kind | asked | p50, ms | p95, ms | longest, ms | failed | lost | slowed |
| --- | --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--keep", metavar="NAME", help="Put the table into tests/load.md under this name.")
    parser.add_argument("--only", choices=list(MOST_MS), help="One of the databases.")
    parser.add_argument("--crowds", help="Numbers of clients, with commas between: 1,8,32,50 unless told.")
    parser.add_argument("--seconds", type=float, help="For each crowd; 20, and 90 for those who think, unless told.")
    options = parser.parse_args()
    wanted = {int(number) for number in options.crowds.split(",")} if options.crowds else None
    crowds = [crowd for crowd in CROWDS if wanted is None or crowd.clients in wanted]
    lines, failed, slow = HEAD.splitlines(), 0, []
    sys.stdout.write(HEAD + "\n")
    with databases([options.only] if options.only else list(MOST_MS)) as addresses:
        for name, address in addresses.items():
            with tempfile.TemporaryDirectory(prefix="shopkb-load-") as folder:
                shop = Shop(Path(folder), address, people=max(crowd.clients for crowd in crowds))
                shop.start()
                try:
                    for crowd in crowds:
                        before = slowed()
                        seen = watched(shop, crowd, options.seconds or crowd.seconds)
                        others = (before + slowed()) / 2
                        gone, odd = lost(shop, seen.told), len(seen.odd) + len(seen.broken_off)
                        failed += gone + odd
                        for kind, waits in seen.waits.items():
                            lines.append(row(name, crowd, kind, waits, odd, gone, others))
                            sys.stdout.write(lines[-1] + "\n")
                        sys.stdout.flush()
                        took = share(seen.waits["answer"], 95)
                        if crowd.clients == 8 and not took < MOST_MS[name]:
                            slow.append(f"{name}: an answer beside eight writers takes {took:.0f} ms (95 of 100).")
                    failed += len(shop.broken())
                finally:
                    shop.kill()
    if options.keep:
        with PAPER.open("a", encoding="utf-8") as file:
            file.write(f"\n## {options.keep}\n\n" + "\n".join(lines) + "\n")
    sys.stderr.write("".join(f"{line}\n" for line in slow))
    return 1 if failed else 2 if slow else 0


def row(name: str, crowd: Crowd, kind: str, waits: list[float], odd: int, gone: int, others: float) -> str:
    numbers = f"{share(waits, 50):.0f} | {share(waits, 95):.0f} | {share(waits, 100):.0f}"
    return f"| {name} | {crowd.name} | {kind} | {len(waits)} | {numbers} | {odd} | {gone} | {others:.1f} |"


if __name__ == "__main__":
    raise SystemExit(main())
