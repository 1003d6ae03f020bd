"""A YAML 1.2 subset as a tree in which every scalar stays text and knows its line and column.

PyYAML's parser gives the events; the tree is built here and not by a constructor, because a constructor guesses: `12:30`
becomes 750, `no` a boolean, a second `voltage:` silently replaces the first. What could hide a slip or a trick is refused --
anchors, aliases, tags, merge keys, double keys, tabs, more than one document, depth over 20, size over 256 KiB -- and every
fault is collected, so that a person sees all of them at once.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from chargerd.errors import FileFaultsError, Place

BYTES_MAX = 256 * 1024
DEPTH_MAX = 20

LOADER: type = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
"""The parser written in C where it was built; both give the same events."""


@dataclass(frozen=True, slots=True)
class MarkedText:
    """A scalar, as written. `plain`: not in quotes; `lines`: how many lines it runs over; `commented`: a comment follows it."""

    text: str
    place: Place
    plain: bool = True
    lines: int = 1
    commented: bool = False


@dataclass(frozen=True, slots=True)
class MarkedList:
    """A list."""

    place: Place
    items: list[Node] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class MarkedMap:
    """Keys and values in the order written; no key twice."""

    place: Place
    entries: dict[str, tuple[MarkedText, Node]] = field(default_factory=dict)


Node = MarkedText | MarkedList | MarkedMap


class Faults:
    """All that is wrong with a person's files, each with its place."""

    def __init__(self) -> None:
        self._rows: list[tuple[Place, str]] = []

    def add(self, place: Place, what: str, remedy: str) -> None:
        """Note one fault: what is wrong, and what to write instead. The same one twice (of two parts of a step) is one."""
        row = (place, f"{what}; {remedy}")
        if row not in self._rows:
            self._rows.append(row)

    def __len__(self) -> int:
        return len(self._rows)

    def __iter__(self) -> Iterator[str]:
        ordered = sorted(self._rows, key=lambda row: (row[0].path, row[0].line, row[0].column))
        return (f"{place}: {text}" for place, text in ordered)

    def paths(self) -> set[str]:
        """Return the files that faults stand in."""
        return {place.path for place, _ in self._rows}

    def raise_as(self, error: type[FileFaultsError]) -> None:
        """Raise that error with every fault, when there is one."""
        if self._rows:
            raise error(tuple(self))


@dataclass(frozen=True, slots=True)
class MarkedFile:
    """A file as read: its root (None when it could not be read), its text and its SHA-256."""

    path: Path
    root: MarkedMap | None
    text: str
    sha256: str


def read_marked(path: Path, faults: Faults, content: bytes | None = None) -> MarkedFile:
    """Read one file into a tree. Never raises: what is wrong is added to `faults`, and `root` is None when nothing is usable.

    `content`: these bytes instead of the file's own (a run's frozen copy); `path` then only names them in messages.
    """
    top = Place(str(path), 1, 1)
    try:
        raw = _bytes_of(path) if content is None else content
    except OSError as error:
        faults.add(top, f"cannot be read: {error.strerror or error}", "check the name and who may read it")
        return MarkedFile(path, None, "", "")
    digest = hashlib.sha256(raw).hexdigest()
    text = _decoded(raw, top, faults)
    if text is None or not _clean(text, top.path, faults):
        return MarkedFile(path, None, text or "", digest)
    root = _Builder(top.path, text, faults).build()
    if root is not None and not isinstance(root, MarkedMap):
        faults.add(root.place, "the file is not made of `key: value` lines", "begin with a key, for example `cell: plover-01`")
        root = None
    return MarkedFile(path, root, text, digest)


def root_of(marked: MarkedFile, faults: Faults, error: type[FileFaultsError]) -> MarkedMap:
    """Return the root of a file, or raise what is wrong with it."""
    if marked.root is None:
        faults.raise_as(error)
    assert marked.root is not None, "a file without a root has a fault"
    return marked.root


def _bytes_of(path: Path) -> bytes:
    with path.open("rb") as stream:
        return stream.read(BYTES_MAX + 1)


def _decoded(raw: bytes, top: Place, faults: Faults) -> str | None:
    """Return the text, or None after noting why it is none."""
    if len(raw) > BYTES_MAX:
        faults.add(top, "the file is larger than 256 KiB", "this cannot be such a file; check the name")
        return None
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        faults.add(top, "the file is encoded as UTF-16", "save it as UTF-8")
        return None
    if raw.startswith(b"\xef\xbb\xbf"):
        faults.add(top, "the file begins with an invisible byte-order mark", "save it as UTF-8 without one")
        return None
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        before = raw[: error.start]
        line, column = before.count(b"\n") + 1, len(before.rsplit(b"\n", 1)[-1].decode("utf-8")) + 1
        faults.add(Place(top.path, line, column), "this character is not UTF-8", "save the file as UTF-8 and type it again")
        return None


_UNSEEN = re.compile("[\x00-\x08\x0b-\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\u200b\u202a-\u202e\u2066-\u2069\ufeff\ufffe\uffff]")
_DIRECTIVE = re.compile("%[A-Za-z]")


def _clean(text: str, path: str, faults: Faults) -> bool:
    """Note tabs, control and invisible characters and directives; say whether the text may be parsed."""
    found = len(faults)
    for number, line in enumerate(text.replace("\r\n", "\n").split("\n"), 1):
        column = line.find("\t") + 1
        if column:
            faults.add(Place(path, number, column), "a tab stands here", "use spaces, tabs are read differently everywhere")
        match = _UNSEEN.search(line) or re.search("\r", line)
        if match is not None:
            code = ord(match[0])
            name = "a NUL byte" if code == 0 else f"an invisible character (U+{code:04X})"
            faults.add(Place(path, number, match.start() + 1), f"{name} stands here", "delete it")
        if _DIRECTIVE.match(line):
            faults.add(Place(path, number, 1), "a YAML directive stands here", "delete the line, no directive is needed")
    return len(faults) == found


_PLAINER = (
    (
        "mapping values are not allowed",
        "a second `: ` stands in this line, or the line is indented wrongly",
        "put text that holds a colon in quotes, or line the key up with its neighbours",
    ),
    ("could not find expected ':'", "a key here has no colon after it", "write `key: value`"),
    ("expected <block end>", "the indentation does not fit the lines above", "line the key up with its neighbours"),
    ("expected key", "the indentation does not fit the lines above", "line the key up with its neighbours"),
    ("while scanning a quoted scalar", "a quoted text is not closed", "close it with the same quote it began with"),
    ("found unexpected end of stream", "a quoted text or a bracket is not closed", "close it"),
    ("expected ',' or '}'", "a `{` is not closed, or a comma is missing", "write { key: value, key: value }"),
    ("expected ',' or ']'", "a `[` is not closed, or a comma is missing", "write [ value, value ]"),
    ("escape", "a backslash stands in double quotes", "use single quotes, or no quotes"),
    ("cannot start any token", "a value may not begin with this character", "put the value in quotes"),
    ("block sequence entries are not allowed", "a `- ` may not stand here", "begin the list on a line of its own"),
    ("found undefined tag handle", "a tag (`!`) stands here", "delete it, values are read by their key"),
    ("undefined alias", "an alias (`*`) stands here", "write the value out"),
)


@dataclass(slots=True)
class _Open:
    """A collection whose end has not come yet. `key`: the key whose value comes next, None: a key comes next."""

    node: MarkedMap | MarkedList
    key: MarkedText | None = None


class _Builder:
    """Builds the tree from the parser's events, without recursion, so that no depth can break it."""

    def __init__(self, path: str, text: str, faults: Faults) -> None:
        self._path = path
        self._text = text
        self._lines = text.split("\n")
        self._faults = faults
        self._open: list[_Open] = []
        self._root: Node | None = None
        self._documents = 0

    def build(self) -> Node | None:
        """Return the root, None when nothing usable was there."""
        try:
            for event in _events(self._text):
                if not self._take(event):
                    return None
        except yaml.YAMLError as error:
            self._explain(error)
            return None
        if self._root is None or (isinstance(self._root, MarkedText) and not self._root.text):
            self._faults.add(Place(self._path, 1, 1), "the file is empty", "copy one of the shipped examples")
            return None
        return self._root

    def _take(self, event: yaml.Event) -> bool:
        """Take one event; False when going on would make no sense."""
        if isinstance(event, yaml.DocumentStartEvent):
            self._documents += 1
            if self._documents > 1:
                self._faults.add(self._place(event), "a second document (`---`) begins here", "write one file for each")
                return False
        elif isinstance(event, yaml.AliasEvent):
            self._faults.add(self._place(event), f"an alias (*{event.anchor}) stands here", "write the value out")
            self._put(MarkedText("", self._place(event)))
        elif isinstance(event, yaml.ScalarEvent):
            self._refuse_extras(event, event.anchor, event.tag)
            self._put(self._scalar(event))
        elif isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent)):
            self._refuse_extras(event, event.anchor, event.tag)
            return self._begin(event)
        elif isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
            self._open.pop()
        return True

    def _begin(self, event: yaml.MappingStartEvent | yaml.SequenceStartEvent) -> bool:
        place = self._place(event)
        if len(self._open) >= DEPTH_MAX:
            self._faults.add(place, f"lists and maps are nested deeper than {DEPTH_MAX}", "no such file needs this; flatten it")
            return False
        if self._open and isinstance(self._open[-1].node, MarkedMap) and self._open[-1].key is None:
            self._faults.add(place, "a key must be a plain word", "write `key: value`; a `{` or `[` cannot be a key")
            return False
        node = MarkedMap(place) if isinstance(event, yaml.MappingStartEvent) else MarkedList(place)
        self._put(node)
        self._open.append(_Open(node))
        return True

    def _put(self, node: Node) -> None:
        """Put a node where it belongs: as the root, the next item, the next key or that key's value."""
        if not self._open:
            self._root = node
            return
        top = self._open[-1]
        if isinstance(top.node, MarkedList):
            top.node.items.append(node)
        elif top.key is None:
            top.key = node if isinstance(node, MarkedText) else MarkedText("", node.place)
            self._judge_key(top.node, top.key)
        else:
            if top.key.text not in top.node.entries:
                top.node.entries[top.key.text] = (top.key, node)
            top.key = None

    def _judge_key(self, mapping: MarkedMap, key: MarkedText) -> None:
        if key.text in mapping.entries:
            first = mapping.entries[key.text][0].place
            self._faults.add(key.place, f"{key.text!r} is written twice, first in line {first.line}", "delete one of the two")
        if key.text == "<<" and key.plain:
            self._faults.add(key.place, "a merge key (<<) stands here", "write the values out")

    def _refuse_extras(self, event: yaml.Event, anchor: str | None, tag: str | None) -> None:
        if anchor:
            self._faults.add(self._place(event), f"an anchor (&{anchor}) stands here", "delete it and write the value out")
        if tag:
            self._faults.add(self._place(event), f"a tag ({tag}) stands here", "delete it, values are read by their key")

    def _scalar(self, event: yaml.ScalarEvent) -> MarkedText:
        first, (line, column) = self._place(event), _marked(event.end_mark)
        rest = self._lines[line - 1][column - 1 :] if line <= len(self._lines) else ""
        commented = re.match(r" *#", rest) is not None
        return MarkedText(event.value, first, event.style in {None, ""}, line - first.line + 1, commented)

    def _place(self, event: yaml.Event) -> Place:
        return Place(self._path, *_marked(event.start_mark))

    def _explain(self, error: yaml.YAMLError) -> None:
        """Put the parser's complaint into plain words."""
        problem, began = getattr(error, "problem_mark", None), getattr(error, "context_mark", None)
        said = f"{getattr(error, 'context', None) or ''} {getattr(error, 'problem', None) or error}"
        # The two parsers point at different characters of a bad escape; both know where the text began.
        line, column = _marked(began if "escape" in said else problem or began)
        for part, what, remedy in _PLAINER:
            if part in said:
                self._faults.add(Place(self._path, line, column), what, remedy)
                return
        self._faults.add(
            Place(self._path, line, column),
            f"this cannot be read as YAML ({said.strip()})",
            "compare the line with one of the shipped examples",
        )


def _marked(mark: Any) -> tuple[int, int]:
    """Return line and column of a parser's mark, counted from 1."""
    return (1, 1) if mark is None else (mark.line + 1, mark.column + 1)


def _events(text: str) -> Iterable[yaml.Event]:
    return yaml.parse(text, Loader=LOADER)
