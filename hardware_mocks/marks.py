"""The marks on the simulated camera's dials, and the exact values that its shutter and iris really take.

A value in thirds of a stop is 2 to the power of n/3 (n/6 for f-numbers): common practice, and what frames of real
cameras show in their APEX fields. The printed marks are those of real bodies, which name 0.8 s 10/13 and 0.3 s 1/3.
"""

from __future__ import annotations

from dataclasses import dataclass

BULB = 0xFFFFFFFF

_F_NUMBERS = "1.8 2 2.2 2.5 2.8 3.2 3.5 4 4.5 5 5.6 6.3 7.1 8 9 10 11 13 14 16 18 20 22"  # 2^(5/6) to 2^(27/6)
_TIMES = (
    "1/8000 1/6400 1/5000 1/4000 1/3200 1/2500 1/2000 1/1600 1/1250 1/1000 1/800 1/640 1/500 1/400 1/320 1/250 1/200"
    " 1/160 1/125 1/100 1/80 1/60 1/50 1/40 1/30 1/25 1/20 1/15 1/13 1/10 1/8 1/6 1/5 1/4 1/3 10/25 1/2 10/16 10/13"
    " 1 13/10 16/10 2 25/10 32/10 4 5 6 8 10 13 15 20 25 30"  # 2^-13 to 2^5
)
_ISOS = (
    "100 125 160 200 250 320 400 500 640 800 1000 1250 1600 2000 2500 3200 4000 5000 6400 8000 10000 12800 16000 20000"
    " 25600"  # 100 times 2^0 to 2^8
)


@dataclass(frozen=True)
class DialMark:
    """One mark: its label, the number that travels over the wire, and the exact value.

    ``exact`` is an f-number [unitless], a time [s] or an ISO speed [unitless]; ``nominal`` is the printed value as
    numerator and denominator.
    """

    label: str
    raw: int
    exact: float
    nominal: tuple[int, int]


def _times() -> tuple[DialMark, ...]:
    marks = []
    for n, label in enumerate(_TIMES.split()):
        top, _, bottom = label.partition("/")
        nominal = (int(top), int(bottom or 1))
        marks.append(DialMark(label, nominal[0] << 16 | nominal[1], 2.0 ** ((n - 39) / 3), nominal))
    return tuple(marks)


APERTURES: tuple[DialMark, ...] = tuple(
    DialMark(f"f/{text}", round(float(text) * 100), 2.0 ** ((n + 5) / 6), (round(float(text) * 10), 10))
    for n, text in enumerate(_F_NUMBERS.split())
)
TIMES: tuple[DialMark, ...] = _times()
ISOS: tuple[DialMark, ...] = tuple(
    DialMark(text, int(text), 100.0 * 2.0 ** (n / 3), (int(text), 1)) for n, text in enumerate(_ISOS.split())
)
