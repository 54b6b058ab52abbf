"""From YAML text to a plain tree of mappings, lists and strings that knows where each value stands.

Only the safest part of YAML is read: every scalar stays the text that was written, and anything that could make one
place mean another (aliases, tags, duplicate keys, a second document) is refused with its place. The tree is built
from parser events in a loop, so that no input can exhaust the interpreter's stack.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any, NoReturn

import yaml

from plans.errors import BriefError, Complaint

LARGEST = 256_000  # bytes
DEEPEST = 12  # nested mappings and lists

Path = tuple[str | int, ...]

# What no text editor shows: control and surrogate characters, line ends other than the usual, and marks that turn
# the direction of writing round, behind which a value can look other than it is.
_HIDDEN = re.compile(
    "[^\t\n\r\x20-\x7e\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]|[\u2028-\u202e\u2066-\u2069]"
)

# A piece of the parser's message; what was found; what to do. The first that fits is taken.
_BROKEN = (
    ("'\\t'", "a tab at the start of a value or line", "Indent with spaces, never with tabs"),
    (
        "mapping values are not allowed",
        "a second colon in one value, or a line set too far in",
        'Set the line as far in as its neighbours, or put quotes round a text that holds ": "',
    ),
    (
        "cannot start any token",
        "a value that starts with a reserved character",
        'Put quotes round the value: "..."',
    ),
    (
        "could not find expected ':'",
        "a line that is no `key: value`",
        "Write a key, a colon, a space and the value",
    ),
    ("expected ',' or '}'", "a { that is not closed, or a missing comma", "Close it with } or add the comma"),
    ("expected ',' or ']'", "a [ that is not closed, or a missing comma", "Close it with ] or add the comma"),
    ("flow node", "a { or [ that is not closed, or a comma too many", "Close it with } or ], or delete the comma"),
    ("unexpected end of stream", "quotes that are not closed", "Close the quotes"),
    ("unexpected document separator", "quotes that are not closed", "Close the quotes"),
    (
        "expected <block end>",
        "a line that does not fit the lines before it",
        "Set entries of one level equally far in, with spaces",
    ),
    ("escape", "a backslash with something unknown behind it", "Write the text without a backslash"),
)


@dataclass(frozen=True)
class Spot:
    """A place in a file; line and column count from 1, 0 means unknown."""

    file: str
    line: int = 0
    column: int = 0


@dataclass
class Tree:
    """A value with the places of its keys and values.

    ``value`` holds mappings, lists and strings, and None where a complaint has been made already; such places are
    listed in ``spoiled``, so that nobody complains of them again.
    """

    value: Any
    keys: dict[Path, Spot] = field(default_factory=dict)
    values: dict[Path, Spot] = field(default_factory=dict)
    complaints: list[Complaint] = field(default_factory=list)
    spoiled: set[Path] = field(default_factory=set)

    def spot(self, path: Path, of_key: bool = False) -> Spot:
        """Where the value at ``path`` (or its key) stands; where the longest known part of the path begins, else."""
        first, second = (self.keys, self.values) if of_key else (self.values, self.keys)
        for length in range(len(path), -1, -1):
            part = path[:length]
            found = first.get(part) or second.get(part)
            if found:
                return found
            first, second = self.keys, self.values
        return Spot("")

    def at(self, path: Path) -> Any:
        """The value at ``path``; None if there is none."""
        value = self.value
        for part in path:
            inside = part in value if isinstance(value, dict) else isinstance(value, list) and isinstance(part, int)
            if not inside or (isinstance(value, list) and not 0 <= int(part) < len(value)):
                return None
            value = value[part]
        return value

    def spoils(self, path: Path) -> bool:
        """Whether a complaint has been made of ``path`` or of anything it lies in."""
        return any(path[:length] in self.spoiled for length in range(len(path) + 1))


def field_words(path: Path) -> str:
    """A path in the user's words, lists counted from 1: ``goals[2].isolate``."""
    words = ""
    for part in path:
        words += f"[{part + 1}]" if isinstance(part, int) else f".{shorten(part, 40)}"
    return words.lstrip(".") or "the file"


def shorten(text: str, longest: int = 60) -> str:
    """``text`` on one line, with hidden characters shown by number, at most ``longest`` characters."""
    cut = text if len(text) <= longest else text[: longest - 3] + "..."
    return _HIDDEN.sub(lambda match: f"<U+{ord(match[0]):04X}>", re.sub(r"\s*[\n\r]\s*", " ", cut))


def is_hidden(text: str) -> bool:
    """Whether ``text`` holds characters that no editor shows."""
    return _HIDDEN.search(text) is not None


def describe(value: Any) -> str:
    """A value in words: the quoted text, ``a mapping``, ``a list``, ``nothing``."""
    if isinstance(value, str):
        return f'"{shorten(value)}"' if value.strip() else "nothing"
    if isinstance(value, dict):
        return "a mapping" if value else "an empty mapping"
    if isinstance(value, list):
        short = len(value) <= 6 and all(isinstance(item, str) for item in value)
        return f"[{shorten(', '.join(value))}]" if short else f"a list of {len(value)}"
    return "nothing" if value is None else f"{shorten(repr(value))}, which is no text"


def unspaced(text: Any) -> tuple[str, str] | None:
    """Key and value of a text in which the space after the colon is missing, ``freeze:spout``; None for any other."""
    match = re.fullmatch(r"([A-Za-z_][A-Za-z0-9_]*):(\S.*)", text) if isinstance(text, str) else None
    return (match[1], match[2]) if match else None


def read_tree(text: str, name: str) -> Tree:
    """The tree in ``text``; ``name`` is the file's, for complaints.

    Raises
    ------
    BriefError
        If the text is too large, empty, no YAML, nested too deep, no mapping at its top, or more than one document.
        Whatever leaves the rest readable is in the tree's ``complaints`` instead.
    """
    size = len(text) if len(text) > LARGEST else len(text.encode("utf-8", "surrogatepass"))
    if size > LARGEST:
        _refuse(
            Spot(name),
            f"{size} {'bytes' if len(text) <= LARGEST else 'characters'}",
            f"at most {LARGEST} bytes ({LARGEST // 1000} kB)",
            "A brief is a page or two of text: check that this is the right file",
        )
    text = text.removeprefix("\ufeff")
    hidden = _HIDDEN.search(text)
    if hidden:
        before = text[: hidden.start()]
        line = len(re.findall(r"\r\n|\n|\r", before)) + 1
        column = len(re.split(r"\r\n|\n|\r", before)[-1]) + 1
        _refuse(
            Spot(name, line, column),
            f"the hidden character U+{ord(hidden[0]):04X}",
            "plain text, saved as UTF-8",
            "Delete the character, or write the line again",
        )
    if not text.strip():
        _refuse(
            Spot(name, 1, 1), "nothing", "a mapping that starts with `stopwright: 1`", "Write a brief into the file"
        )
    return _Builder(text, name).tree()


def _refuse(spot: Spot, found: str, allowed: str, advice: str) -> NoReturn:
    raise BriefError([Complaint(spot.file, spot.line, spot.column, "the file", found, allowed, advice)])


@dataclass
class _Open:
    """A mapping or list still being filled.

    ``flow_start`` is where its bracket stands, if it has one; ``key`` is the mapping's key that waits for its value.
    """

    path: Path
    value: dict[str, Any] | list[Any]
    flow_start: Spot | None = None
    key: str | None = None
    skips_value: bool = False


class _Builder:
    """Builds one tree from parser events."""

    def __init__(self, text: str, name: str):
        self.name = name
        self.loader = yaml.SafeLoader(text)
        self.result = Tree(None)
        self.open: list[_Open] = []
        self.skipping = 0  # depth inside a value that is not taken (under a duplicate or unreadable key)

    def tree(self) -> Tree:
        try:
            documents = 0
            while True:
                event = self._next()
                if event is None:
                    break
                if isinstance(event, yaml.DocumentStartEvent):
                    documents += 1
                    self._document(event, documents)
                elif isinstance(event, yaml.NodeEvent):
                    self._node(event)
                elif isinstance(event, yaml.CollectionEndEvent):
                    self._close()
        finally:
            self.loader.dispose()
        if not isinstance(self.result.value, dict):
            if self.result.complaints:
                raise BriefError(self.result.complaints)
            self._stop(
                self.result.values.get((), Spot(self.name, 1, 1)),
                describe(self.result.value),
                "a mapping: lines of `key: value`",
                "Start with `stopwright: 1` and write one `key: value` a line",
            )
        return self.result

    def _next(self) -> yaml.Event | None:
        try:
            event: yaml.Event | None = self.loader.get_event()  # type: ignore[no-untyped-call]
            return event
        except yaml.MarkedYAMLError as error:
            message = f"{error.context or ''} {error.problem or ''}"
            unknown = ("text that breaks the form of YAML", "Compare the line with the demo brief's")
            found, advice = next((rest for piece, *rest in _BROKEN if piece in message), unknown)
            self._stop(self._where(error, message), found, "YAML as in the demo brief", advice)
        except (yaml.YAMLError, ValueError, OverflowError):
            # An escape beyond Unicode, a version number without end: the parser converts before it checks.
            spot = Spot(self.name, self.loader.line + 1, self.loader.column + 1)
            self._stop(spot, "a code that stands for no character", "plain text", "Write the character itself")

    def _where(self, error: yaml.MarkedYAMLError, message: str) -> Spot:
        """Where the mistake was made, which is often lines before the parser notices it."""
        noticed = self._spot(error.problem_mark or error.context_mark)
        if error.context_mark and ("quoted scalar" in message or "simple key" in message) and "escape" not in message:
            return self._spot(error.context_mark)
        bracket = self.open[-1].flow_start if self.open else None
        return bracket if bracket and bracket.line != noticed.line else noticed

    def _spot(self, mark: Any) -> Spot:
        return Spot(self.name, mark.line + 1, mark.column + 1) if mark else Spot(self.name)

    def _complain(self, spot: Spot, path: Path, found: str, allowed: str, advice: str) -> None:
        self.result.complaints.append(
            Complaint(spot.file, spot.line, spot.column, field_words(path), found, allowed, advice)
        )

    def _stop(self, spot: Spot, found: str, allowed: str, advice: str) -> NoReturn:
        # What comes at or after the place is the same mistake seen twice.
        before = [one for one in self.result.complaints if (one.line, one.column) < (spot.line, spot.column)]
        self.result.complaints = before
        self._complain(spot, (), found, allowed, advice)
        raise BriefError(self.result.complaints)

    def _document(self, event: yaml.DocumentStartEvent, count: int) -> None:
        spot = self._spot(event.start_mark)
        if count > 1:
            self._stop(spot, "a second document", "one document a file", "Put the second one into a file of its own")
        if event.version or event.tags:
            self._stop(spot, "a line that starts with %", "YAML without directives", "Delete the line")

    def _node(self, event: yaml.NodeEvent) -> None:
        top = self.open[-1] if self.open else None
        spot = self._spot(event.start_mark)
        if self.skipping:
            self.skipping += isinstance(event, yaml.CollectionStartEvent)
            self._check_depth(spot)
            return
        if top and isinstance(top.value, dict) and top.key is None and not top.skips_value:
            self._key(top, event, spot)
            return
        if top and top.skips_value:
            top.skips_value = False
            self.skipping += isinstance(event, yaml.CollectionStartEvent)
            return
        path: Path = ()
        if top:
            path = (*top.path, len(top.value) if isinstance(top.value, list) else top.key or "")
        self.result.values[path] = spot
        value = self._value(event, spot, path)
        if top is None:
            self.result.value = value
        elif isinstance(top.value, list):
            top.value.append(value)
        else:
            top.value[top.key or ""] = value
            top.key = None
        if isinstance(event, yaml.CollectionStartEvent) and isinstance(value, dict | list):
            self.open.append(_Open(path, value, spot if event.flow_style else None))
            self._check_depth(spot)

    def _check_depth(self, spot: Spot) -> None:
        if len(self.open) + self.skipping > DEEPEST:
            self._stop(
                spot, f"more than {DEEPEST} levels", f"at most {DEEPEST} levels", "Check the brackets and indents"
            )

    def _key(self, top: _Open, event: yaml.NodeEvent, spot: Spot) -> None:
        what = self._unwanted(event)
        if not isinstance(event, yaml.ScalarEvent) or what:
            self._complain(spot, top.path, what or "a key that is no text", "keys that are plain words", "Write a word")
            self.skipping += isinstance(event, yaml.CollectionStartEvent)
            top.skips_value = True
            return
        key: str = event.value
        path = (*top.path, key)
        if not key.strip() or _HIDDEN.search(key):
            self._complain(spot, top.path, "a key without a name", "keys that are plain words", "Write a word")
            top.skips_value = True
        elif path in self.result.keys:
            first = self.result.keys[path]
            self._complain(
                spot,
                path,
                f"{shorten(key)} a second time",
                "each key once",
                f"Delete one of the two; the first is in line {first.line}",
            )
            top.skips_value = True
        else:
            self.result.keys[path] = spot
            top.key = key

    def _unwanted(self, event: yaml.NodeEvent) -> str:
        if isinstance(event, yaml.AliasEvent):
            return f"the alias *{shorten(str(event.anchor), 40)}"
        if event.anchor:
            return f"the anchor &{shorten(event.anchor, 40)}"
        tag = str(getattr(event, "tag", None) or "").replace("tag:yaml.org,2002:", "!!")
        return f"the tag {shorten(tag, 40)}" if tag else ""

    def _value(self, event: yaml.NodeEvent, spot: Spot, path: Path) -> Any:
        what = self._unwanted(event)
        if what:
            advice = "Write the value out at this place" if what.startswith("the a") else "Delete the tag"
            self._complain(spot, path, what, "plain values, without aliases, anchors and tags", advice)
        if isinstance(event, yaml.MappingStartEvent):
            return {}
        if isinstance(event, yaml.SequenceStartEvent):
            return []
        value = event.value if isinstance(event, yaml.ScalarEvent) else None
        if value is not None and _HIDDEN.search(value):
            self._complain(spot, path, describe(value), "text without hidden characters", "Write the value again")
            value = None
        elif value is not None and not value.strip():
            if not self._no_space(path) and not self._decimal_comma(path):
                advice = "Write a value after the colon, or delete the key" if path else "Write a brief into the file"
                advice += self._list_meant(path)
                self._complain(spot, path, "nothing", "a value", advice)
            value = None
        if what or value is None:
            self.result.spoiled.add(path)
            return None
        return value

    def _no_space(self, path: Path) -> bool:
        """Whether the empty key at ``path`` holds its value too: ``{distance:2.5 m}``. Its true key is then spoiled."""
        meant = unspaced(path[-1]) if path else None
        if not meant:
            return False
        key, text = meant
        allowed = "a key, a colon, a space and a value"
        advice = f"Put a space after the colon: {shorten(key)}: {shorten(text)}"
        self._complain(self.result.keys[path], path, describe(path[-1]), allowed, advice)
        self.result.spoiled.add((*path[:-1], key))
        return True

    def _list_meant(self, path: Path) -> str:
        """Advice for an empty key in braces that could be the second value of the key before: ``hold: time, focus``."""
        siblings = self.result.at(path[:-1]) if path else None
        if not isinstance(siblings, dict) or not siblings or not self.open[-1].flow_start:
            return ""
        key, value = list(siblings.items())[-1]
        plain = isinstance(value, str) and value.isalpha()
        return f". If it belongs to {shorten(key)}: write [{value}, {shorten(str(path[-1]))}]" if plain else ""

    def _decimal_comma(self, path: Path) -> bool:
        """Whether the empty key at ``path`` is the rest of a number cut by its comma: ``{distance: 3,5 m}``."""
        siblings = self.result.at(path[:-1]) if path else None
        if not isinstance(siblings, dict) or not siblings or not re.match(r"[0-9]+([^0-9]|$)", str(path[-1])):
            return False
        key, number = list(siblings.items())[-1]
        before = (*path[:-1], key)
        if number is None and (meant := unspaced(key)):
            number = meant[1]
        if not isinstance(number, str) or not re.fullmatch(r"[+-]?[0-9]+", number):
            return False
        self._complain(
            self.result.values[before],
            before,
            f'"{number},{shorten(str(path[-1]), 30)}"',
            "a number with a full stop before its decimals",
            f"Write {number}.{shorten(str(path[-1]), 30)}: a comma ends the value",
        )
        self.result.spoiled.add(before)
        return True

    def _close(self) -> None:
        if self.skipping:
            self.skipping -= 1
        else:
            self.open.pop()
