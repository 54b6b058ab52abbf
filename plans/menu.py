"""What can be had for one goal, by the rig before and after its frames. The cost is that of `plans.cost`."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from functools import lru_cache
from typing import NamedTuple

from plans.cost import hands, split
from plans.solver import Choice, State, move


@lru_cache(maxsize=100_000)
def move_cost(before: State, after: State) -> int:
    """The cost of bringing the rig from one state to another."""
    return hands(*move(before, after))


class Way(NamedTuple):
    """Frames in shooting order and what they cost, hands between them included, hands before them not."""

    cost: int
    choices: tuple[Choice, ...]


class Ending(NamedTuple):
    """Frames in shooting order from a known state of the rig, their whole cost, and the rig after them."""

    cost: int
    state: State
    choices: tuple[Choice, ...]


class Menu(ABC):
    """What can be had for one goal.

    ``least``: a cost that no way undercuts; ``floor``: the same in hands and in frames apart, each as if the other were
    free; ``foci``: distances it may focus on; ``around``: hands, as a cost, that every way wants more than its floor
    when the lens is bare before it, and when it is bare after it as well.
    """

    least: int
    floor: int
    foci: frozenset[float]
    around: tuple[int, int] = (0, 0)

    def __init__(self) -> None:
        self._endings: dict[State, tuple[Ending, ...]] = {}

    def after(self, entry: State) -> tuple[Ending, ...]:
        """The cheapest way to each state the rig can be left in, from ``entry``; cheapest first."""
        if entry not in self._endings:
            self._endings[entry] = tuple(sorted(self._ways_from(entry), key=lambda ending: ending.cost))
        return self._endings[entry]

    def best(self, entry: State) -> Ending:
        """The cheapest way from ``entry``."""
        return self.after(entry)[0]

    @abstractmethod
    def _ways_from(self, entry: State) -> list[Ending]: ...


def _bare(state: State) -> State:
    return State(state.focus_m, 0, state.focal_mm)


class FixedMenu(Menu):
    """A menu whose ``ways`` are all known: from the rig's state at the first frame to that at the last."""

    def __init__(self, ways: Mapping[tuple[State, State], Way]):
        super().__init__()
        self.ways = ways
        self._from: dict[State, list[tuple[State, Way]]] = {}
        for (first, last), way in ways.items():
            self._from.setdefault(first, []).append((last, way))
        self.least = min(way.cost for way in ways.values())
        parts = [split(way.cost) for way in ways.values()]
        fewest = min(work for work, _ in parts)
        self.floor = fewest + min(frames for _, frames in parts)
        tours = [
            (split(way.cost)[0] - fewest + move_cost(_bare(first), first), move_cost(last, _bare(last)))
            for (first, last), way in ways.items()
        ]
        self.around = min(before for before, _ in tours), min(sum(tour) for tour in tours)
        self.foci = frozenset(first.focus_m for first, _ in ways if first.focus_m is not None) | frozenset(
            last.focus_m for _, last in ways if last.focus_m is not None
        )

    def _ways_from(self, entry: State) -> list[Ending]:
        best: dict[State, tuple[int, Way]] = {}
        for first, ways in self._from.items():
            moved = move_cost(entry, first)
            for last, way in ways:
                cost = moved + way.cost
                if last not in best or cost < best[last][0]:
                    best[last] = cost, way
        return [Ending(cost, last, way.choices) for last, (cost, way) in best.items()]
