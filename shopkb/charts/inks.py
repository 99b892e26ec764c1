"""Sizes and colours of a card. A colour that a page restyles for its theme is used for one thing only."""

from __future__ import annotations

from dataclasses import dataclass

CARD_WIDTH = 226
"""Points across every card, so that the bars of all rows compare."""

TITLE_SIZE, TEXT_SIZE, SMALL_SIZE, EVIDENCE_SIZE, NUMBER_SIZE = 12.0, 12.0, 11.0, 10.0, 17.0
MONO = "Atkinson Hyperlegible Mono"

CARD_INK, CARD_SOFT, CARD_EDGE = "#16202B", "#44505C", "#6F7A86"
GROUND, HEAD, HEAD_TEXT = "#FFFFFF", "#1E2B38", "#FEFEFE"
END_GROUND, END_TEXT = "#DCEBEE", "#0B4F5C"
BAR, BAR_REST = "#0B5060", "#D8D4CA"
HERE_GROUND, HERE_TEXT = "#F2B84B", "#16202C"
THIN_TEXT, THIN_EDGE = "#44505D", "#A9B0B7"

SIGNAL_GROUND = {"DANGER": "#B0131B", "WARNING": "#FF8200", "CAUTION": "#FFD100", "NOTICE": "#0056A8"}
SIGNAL_TEXT = {"DANGER": "#FFFFFE", "WARNING": "#000000", "CAUTION": "#000000", "NOTICE": "#FFFFFE"}
"""ANSI Z535.6: the signal words and nothing else."""


THEMED: dict[str, str] = {
    CARD_INK: "ink",
    CARD_SOFT: "soft",
    CARD_EDGE: "edge",
    GROUND: "ground",
    HEAD: "head",
    HEAD_TEXT: "on-head",
    END_GROUND: "end",
    END_TEXT: "end-text",
    BAR: "bar",
    BAR_REST: "bar-rest",
    HERE_GROUND: "here",
    HERE_TEXT: "on-here",
    THIN_TEXT: "soft",
    THIN_EDGE: "thin",
    **{color: f"signal-{word.lower()}" for word, color in SIGNAL_GROUND.items()},
    SIGNAL_TEXT["DANGER"]: "on-dark-signal",
    SIGNAL_TEXT["WARNING"]: "on-light-signal",
}
"""What a colour of a card is used for, by which a style sheet names its own (classes ``fill-`` and ``line-``)."""


@dataclass(frozen=True, slots=True)
class Ink:
    """How a card is inked: as written, where a job stands, or thinned beside a job's way."""

    head: str = HEAD
    head_text: str = HEAD_TEXT
    card: str = GROUND
    text: str = CARD_INK
    soft: str = CARD_SOFT
    end: str = END_GROUND
    end_text: str = END_TEXT
    edge: str = CARD_INK
    border: int = 1
    thin: bool = False


PAPER = Ink()
ON_WAY = Ink(border=2)
HERE = Ink(head=HERE_GROUND, head_text=HERE_TEXT, border=3)
THINNED = Ink(
    head=GROUND, head_text=THIN_TEXT, text=THIN_TEXT, soft=THIN_TEXT, end=GROUND, end_text=THIN_TEXT, edge=THIN_EDGE,
    thin=True,
)  # fmt: skip
