"""HIERARCHY, the first part of a BVH file: the joints, how they hang together, and their channels."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple, NoReturn

from audit.conventions import AXES
from audit.errors import FormatError
from audit.formats.bvh._text import number_from
from audit.spelling import shown

CHANNEL_NAMES: Final = tuple(f"{axis}{kind}" for kind in ("position", "rotation") for axis in AXES)
KEYWORDS: Final = ("HIERARCHY", "ROOT", "JOINT", "END", "OFFSET", "CHANNELS", "MOTION", "{", "}")

_LINE = re.compile(r"([^\r\n]*)(?:\r\n|\r|\n|\Z)")
_WORD = re.compile(r"[{}]|[^ \t{}]+")
_NAME = re.compile(r"[^{}]*")


class _Word(NamedTuple):
    """A word, or the whole name of a joint, and its line."""

    text: str
    line: int

    @property
    def keyword(self) -> str | None:
        """The keyword that it is, None where it is something else."""
        upper = self.text.upper()
        return upper if upper in KEYWORDS else None


def _words(text: str) -> Iterator[_Word]:
    """Yield the words of the header; what follows ROOT or JOINT on its line is one word, the name."""
    for line, found in enumerate(_LINE.finditer(text), start=1):
        rest, place = found[1], 0
        while word := _WORD.search(rest, place):
            yield _Word(word[0], line)
            place = word.end()
            if word[0].upper() in ("ROOT", "JOINT"):
                name = _NAME.match(rest, place)
                if name:
                    yield _Word(name[0].strip(" \t"), line)
                    place = name.end()


@dataclass(slots=True)
class Joints:
    """The joints, in the order of the file.

    Attributes
    ----------
    names, parents, offsets, channels
        One entry a joint; a root has parent −1.
    tips
        Each end site: the place of its joint, and its offset.
    """

    names: list[str] = field(default_factory=list)
    parents: list[int] = field(default_factory=list)
    offsets: list[tuple[float, ...]] = field(default_factory=list)
    channels: list[tuple[str, ...]] = field(default_factory=list)
    tips: list[tuple[int, tuple[float, ...]]] = field(default_factory=list)


@dataclass(slots=True)
class _Block:
    """A pair of braces that is still open: a joint's, or an end site's (then ``joint`` is its parent)."""

    title: str
    line: int
    joint: int
    is_tip: bool
    offset: tuple[float, ...] | None = None
    has_channels: bool = False
    has_children: bool = False


class HierarchyReader:
    """Reads HIERARCHY, statement by statement; a list of open blocks stands in for recursion."""

    def __init__(self, path: str, *, ends_with_motion: bool) -> None:
        self.path = path
        self.ends_with_motion = ends_with_motion
        self.joints = Joints()
        self.open: list[_Block] = []
        self.words: Sequence[_Word] = ()
        self.next = 0
        self.text = ""

    def read(self, text: str) -> Joints:
        """Return the joints, or raise FormatError."""
        self.text = text
        self.words = tuple(_words(text))
        self._start()
        statements = {
            "ROOT": self._root,
            "JOINT": self._joint,
            "END": self._end_site,
            "OFFSET": self._offset,
            "CHANNELS": self._channels,
            "}": self._close,
        }
        while self.next < len(self.words):
            word = self._take()
            statement = statements.get(word.keyword or "")
            if statement is None:
                self._unexpected(word)
            statement(word)
        self._finish()
        return self.joints

    def _last_line(self) -> int:
        return len(re.findall(r"\r\n|\r|\n", self.text)) + 1

    def _fail(self, cause: str, line: int, hint: str) -> NoReturn:
        raise FormatError(cause, path=self.path, where=f"line {line}", hint=hint)

    def _take(self) -> _Word:
        word = self.words[self.next]
        self.next += 1
        return word

    def _take_values(self, line: int, wanted: int) -> list[_Word]:
        """Take the words up to the next keyword: the rest of a line, and more lines while too few are found."""
        taken: list[_Word] = []
        while self.next < len(self.words):
            word = self.words[self.next]
            if word.keyword or (word.line != line and len(taken) >= wanted):
                break
            line = word.line
            taken.append(self._take())
        return taken

    def _start(self) -> None:
        first = self.words[0] if self.words else None
        if first is None or first.keyword != "HIERARCHY":
            got = f"begins with {shown(first.text)}" if first else "holds no skeleton"
            self._fail(
                f"a BVH file begins with the word HIERARCHY, this one {got}",
                first.line if first else 1,
                "Check that it is BVH, saved as plain text",
            )
        self.next = 1

    def _unexpected(self, word: _Word) -> NoReturn:
        places = f"in {self.open[-1].title}" if self.open else "outside of any joint"
        expected = "OFFSET, CHANNELS, JOINT, End Site or }" if self.open else "ROOT or MOTION"
        likely = difflib.get_close_matches(word.text.upper(), KEYWORDS, n=1, cutoff=0.75)
        hint = (
            f"Did you mean {likely[0]}?" if likely else f"Expected {expected}; BVH has no comments"
        )
        if word.keyword:
            hint = f"Expected {expected}"
        self._fail(f"{shown(word.text)} cannot stand {places}", word.line, hint)

    def _root(self, word: _Word) -> None:
        if self.open:
            self._fail(
                f"ROOT stands inside {self.open[-1].title}, which began on line {self.open[-1].line}",
                word.line,
                "A '}' is missing before it, or it should be JOINT",
            )
        self._open_joint(word, -1)

    def _joint(self, word: _Word) -> None:
        self._open_joint(word, self._parent(word))

    def _end_site(self, word: _Word) -> None:
        parent = self._parent(word)
        site = self.words[self.next] if self.next < len(self.words) else None
        if site is None or site.text.upper() != "SITE":
            self._fail(
                "'End' is not followed by 'Site'", word.line, "An end point is written End Site"
            )
        self.next += 1
        title = f"the end site of {shown(self.joints.names[parent])}"
        self._open_block(_Block(title, word.line, parent, is_tip=True))

    def _parent(self, word: _Word) -> int:
        """Return the joint that a JOINT or an End Site belongs to."""
        if not self.open:
            self._fail(
                f"{word.text} stands outside of any ROOT",
                word.line,
                "The first joint of a tree is written ROOT; or there is one '}' too many above",
            )
        block = self.open[-1]
        if block.is_tip:
            self._fail(
                f"{word.text} stands inside {block.title}",
                word.line,
                "An end site has an OFFSET and nothing else",
            )
        if block.offset is None:
            self._no_offset(block, word.line)
        block.has_children = True
        return block.joint

    def _open_joint(self, word: _Word, parent: int) -> None:
        name = self._take().text
        if not name:
            self._fail(
                f"{word.text} has no name", word.line, f"The name stands on the line of {word.text}"
            )
        self.joints.names.append(name)
        self.joints.parents.append(parent)
        self.joints.offsets.append((0.0, 0.0, 0.0))
        self.joints.channels.append(())
        joint = len(self.joints.names) - 1
        self._open_block(_Block(f"joint {shown(name)}", word.line, joint, is_tip=False))

    def _open_block(self, block: _Block) -> None:
        brace = self.words[self.next] if self.next < len(self.words) else None
        if brace is None or brace.text != "{":
            got = f"found {shown(brace.text)}" if brace else "the file ends"
            self._fail(
                f"expected '{{' to open {block.title}, but {got}",
                brace.line if brace else self._last_line(),
                "Each joint and end site is wrapped in { and }",
            )
        self.next += 1
        self.open.append(block)

    def _block_for(self, word: _Word) -> _Block:
        """Return the block that an OFFSET or a CHANNELS belongs to."""
        if not self.open:
            self._fail(
                f"{word.text} stands outside of any joint", word.line, "A '{' is missing above it"
            )
        if self.open[-1].has_children:
            self._fail(
                f"{word.text} stands after a child of {self.open[-1].title}",
                word.line,
                f"{word.text} belongs before the joint's children",
            )
        return self.open[-1]

    def _offset(self, word: _Word) -> None:
        block = self._block_for(word)
        values = self._take_values(word.line, wanted=3)
        if block.offset is not None:
            self._fail(f"{block.title} has a second OFFSET", word.line, "Remove one of them")
        numbers = [
            number_from(each.text, self.path, f"line {each.line}, OFFSET of {block.title}")
            for each in values
        ]
        if len(numbers) != 3:
            self._fail(
                f"the OFFSET of {block.title} has {len(numbers)} numbers",
                word.line,
                "It has three: x, y and z",
            )
        block.offset = tuple(numbers)
        if block.is_tip:
            self.joints.tips.append((block.joint, block.offset))
        else:
            self.joints.offsets[block.joint] = block.offset

    def _channels(self, word: _Word) -> None:
        block = self._block_for(word)
        if block.is_tip:
            self._fail(
                f"{block.title} has CHANNELS",
                word.line,
                "An end site does not move by itself: remove the line, or write JOINT and a name",
            )
        if block.has_channels:
            self._fail(f"{block.title} has a second CHANNELS", word.line, "Remove one of them")
        block.has_channels = True
        count, *names = self._take_values(word.line, wanted=1) or [_Word("", word.line)]
        if not re.fullmatch(r"\d{1,3}", count.text, re.ASCII):
            self._fail(
                f"CHANNELS of {block.title} is followed by {shown(count.text)}, not by a count",
                count.line,
                "Write how many channels there are, then their names",
            )
        last_line = names[-1].line if names else count.line
        names += self._take_values(last_line, wanted=int(count.text) - len(names))
        known = {name.upper(): name for name in CHANNEL_NAMES}
        channels: list[str] = []
        for each in names:
            channel = known.get(each.text.upper())
            if channel is None:
                self._fail(
                    f"{shown(each.text)} is not a channel",
                    each.line,
                    f"The channels are {', '.join(CHANNEL_NAMES)}",
                )
            if channel in channels:
                self._fail(
                    f"{block.title} has the channel {channel} twice",
                    each.line,
                    "Each axis has one rotation channel and one position channel at most",
                )
            channels.append(channel)
        if len(channels) != int(count.text):
            self._fail(
                f"CHANNELS of {block.title} says {int(count.text)}, but {len(channels)} names follow",
                word.line,
                "Correct the count, or the list",
            )
        self.joints.channels[block.joint] = tuple(channels)

    def _close(self, word: _Word) -> None:
        if not self.open:
            self._fail("there is one '}' too many", word.line, "Each '}' closes one '{'")
        block = self.open.pop()
        if block.offset is None:
            self._no_offset(block, word.line)

    def _no_offset(self, block: _Block, line: int) -> NoReturn:
        self._fail(
            f"{block.title}, which began on line {block.line}, has no OFFSET",
            line,
            "Each joint and end site has one, before its children",
        )

    def _finish(self) -> None:
        got = "MOTION comes" if self.ends_with_motion else "the file ends"
        if self.open:
            block = self.open[-1]
            self._fail(
                f"{got} before {block.title}, which began on line {block.line}, is closed",
                self._last_line(),
                "A '}' is missing" if self.ends_with_motion else "The file seems to be cut short",
            )
        if not self.joints.names:
            self._fail(f"{got} before any ROOT", self._last_line(), "A skeleton begins with ROOT")
        if not any(self.joints.channels):
            self._fail(
                "no joint has a channel, so there is no motion to look at",
                self._last_line(),
                "Export the animation with its rotation channels",
            )
