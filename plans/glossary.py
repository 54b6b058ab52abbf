"""The trade's words for a student: each told once, where it first stands in a text."""

from __future__ import annotations

import re
from typing import NamedTuple

from plans.rehearsal import WIDTH, wrapped


class Term(NamedTuple):
    """A word, what shows that it is used, and what it means."""

    word: str
    used: str  # a regular expression
    meaning: str


TERMS = (
    Term("stop", r"\bstops?\b", "a doubling or halving of light; two stops are four times, three stops eight times"),
    Term(
        "f/…",
        r"\bf/\d|\baperture\b",
        "aperture, the opening of the lens: focal length over its width, so a larger number is a smaller opening; f/2, "
        "f/2.8, f/4, f/5.6, f/8 let in half the light each time",
    ),
    Term(
        "exposure time",
        r"\bexposure time|\d s\b",
        "how long the shutter is open; half the time is half the light, a stop less",
    ),
    Term(
        "ISO",
        r"\bISO\b",
        "how strongly the camera brightens what the sensor caught; twice the number is a stop brighter, without any "
        "more light",
    ),
    Term(
        "EV",
        r"\bEV\b",
        "how bright the scene is, in stops: in light of EV 0, 1 s at f/1 and ISO 100 is right; EV 1 is twice as bright",
    ),
    Term(
        "ND",
        r"\bND\b|neutral-density",
        "a neutral-density filter, grey glass before the lens that only takes light; 64 lets 1/64 through",
    ),
    Term(
        "polariser",
        r"\b[Pp]olari[sz]er",
        "a filter that takes away reflections of water, leaves and glass, more or less as it is turned",
    ),
    Term(
        "metering frame",
        r"metering frame|\bmetered\b|to meter by",
        "a first picture at plain settings, from which the brightness of the light is told",
    ),
    Term("check frame", r"check frame|to check what", "a picture after hands touched the rig, to see that it is right"),
    Term("ladder", r"\bladder\b", "pictures in which one setting goes up step by step and another one makes up for it"),
    Term("bracket", r"\bbracket\b", "pictures around the right one, made darker and brighter (or nearer) on purpose"),
    Term(
        "mark",
        r"\bmarks?\b",
        "a value as the camera prints it, often rounded: behind 1/60 stands 1/64 s; sums here use the exact value",
    ),
    Term(
        "circle of confusion",
        r"circles? of confusion",
        "the disc on the sensor that still looks like a point when the whole picture is looked at; what spreads less "
        "counts as sharp",
    ),
    Term("smear", r"\bsmears?\b", "how far the image of something moving travels over the sensor during the exposure"),
    Term("px", r"\d px\b", "pixels, the smallest parts of the picture; what is narrower than one or two is not seen"),
    Term(
        "diffraction",
        r"\bdiffraction\b",
        "light spreads at the edge of the opening, the more the smaller that is, and softens the whole picture",
    ),
    Term(
        "noise",
        r"\bnoise\b|signal-to-noise",
        "grain: light comes in single portions, and the fewer there are the more unevenly they fall; with half the "
        "light the signal-to-noise ratio, picture over grain, is 1.41 times smaller, which is 3 dB (decibels)",
    ),
    Term(
        "native",
        r"\bnative\b",
        "the ISO values that the sensor itself gives; beyond them the camera only calculates brighter or darker",
    ),
    Term("focal length", r"\bfocal length", "how strongly the lens magnifies: twice the millimetres, twice as large"),
    Term("bulb", r"\bbulb\b", "the shutter stays open as long as it is told to, for times longer than the dial has"),
)


class Glossary:
    """Remembers which words were told already."""

    def __init__(self) -> None:
        self._told: set[str] = set()

    def first_used(self, text: str) -> list[Term]:
        """The terms in ``text`` that were not told before; they count as told now.

        The words that explain a term are looked through as well, so that no explanation leaves a riddle.
        """
        found: list[Term] = []
        waiting = text
        while waiting:
            fresh = [term for term in TERMS if term.word not in self._told and re.search(term.used, waiting)]
            self._told |= {term.word for term in fresh}
            found += fresh
            waiting = "\n".join(term.meaning for term in fresh)
        return found

    def lines(self, text: str, indent: int = 0) -> list[str]:
        """``text`` wrapped, and below it in brackets what its new words mean."""
        meanings = [f"[{term.word}: {term.meaning}]" for term in self.first_used(text)]
        return wrapped(text, indent) + [line for meaning in meanings for line in wrapped(meaning, indent + 2)]

    def table(self, text: str) -> list[str]:
        """The new words of ``text``, one under the other."""
        found = self.first_used(text)
        width = max((len(term.word) for term in found), default=0) + 2
        lines: list[str] = []
        for term in found:
            first, *more = wrapped(term.meaning, 0, WIDTH - width - 2)
            lines += [f"  {term.word:<{width}}{first}", *(" " * (width + 2) + line.strip() for line in more)]
        return lines
