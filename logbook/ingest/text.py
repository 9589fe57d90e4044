"""Text: a source as UTF-8 with plain line ends, in blocks of whole lines that know their line numbers."""

from __future__ import annotations

import codecs
import re
from bisect import bisect_left
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from logbook.ingest.archive import Source

HEAD_BYTES = 1 << 18
CODE_PAGES = [
    "cp1252",
    "cp1250",
    "cp1251",
    "cp1253",
    "cp1254",
    "cp1257",
    "iso8859_15",
    "mac_roman",
    "shift_jis",
    "gb18030",
]
"""Eight-bit encodings an export may have; the degree sign is the same byte in nearly all of them."""
BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
MANGLED = {
    "Â°": "°",
    "Âº": "°",
    "º": "°",
    "℃": "°C",
    "℉": "°F",
    "ï»¿": "",
    "\ufeff": "",
    "Ã¤": "ä",
    "Ã¼": "ü",
    "Ã¶": "ö",
    "Ã©": "é",
    "Ã³": "ó",
}
"""UTF-8 that was once read as code page 1252, and look-alikes of the degree sign."""


NEWLINE = ord("\n")
HEADER_LINES = 4
"""So many lines a header that stands again may have, its units and blanks with it."""
MOST_LINES = 1 << 20
"""Lines looked at together: what is made of each takes more memory than an empty line itself does."""
LONGEST_LINE_BYTES = 64 << 20
"""A longer line is refused: it would have to be held whole."""


def line_count(block: bytes) -> int:
    """Lines of a block, the last of which need not be ended; other threads run meanwhile."""
    ends = int(np.count_nonzero(np.frombuffer(block, np.uint8) == NEWLINE))
    return ends + (bool(block) and not block.endswith(b"\n"))


def mended(text: str) -> str:
    """Header or unit text with mangled encodings put right."""
    for wrong, right in MANGLED.items():
        text = text.replace(wrong, right)
    return text


class Text:
    """The lines of one source."""

    def __init__(self, source: Source, progress: Callable[[float], None] | None = None, *, first_line: int = 1) -> None:
        self.source = source
        self.first_line = first_line
        """Number of its first line: in an archive lines count on from table to table."""
        self.next_line = first_line
        """Number of the line after it, once it was read."""
        self._progress = progress
        start = next((block for block, _ in source.blocks()), b"")[:HEAD_BYTES]
        if not start.strip(b"\x00 \t\r\n"):
            raise BadData("The file holds nothing but blanks.", where=source.name, mend="Export it again.")
        self.encoding = encoding_of(start)
        self._refuse_binary(start)

    def blocks(self) -> Iterator[tuple[int, bytes]]:
        """Blocks of whole lines in UTF-8, each with the number of its first line (1-based)."""
        line = self.first_line
        for whole in self._whole_lines():
            for block, lines in _of_few_lines(whole):
                yield line, block
                line += lines
                self.next_line = line

    def rows_like(self, block: bytes) -> int:
        """How many lines the whole text has, if they are as long as those of its first block; 0 where it is packed."""
        rows = block.count(b"\n")
        return round(self.source.size * rows / len(block)) if rows and self.source.packing == "plain" else 0

    def head(self) -> list[str]:
        """The first lines, as text."""
        _, block = next(self.blocks())
        part = block[:HEAD_BYTES]
        lines = part.decode("utf-8", "replace").split("\n")
        return lines[:-1] if len(lines) > 1 and (len(part) < len(block) or not lines[-1]) else lines

    def lines(self, wanted: Sequence[int]) -> dict[int, str]:
        """The text of these lines (ascending), found by reading once more."""
        found: dict[int, str] = {}
        if not wanted:
            return found
        for first, block in self.blocks():
            low = bisect_left(wanted, first)
            high = bisect_left(wanted, first + block.count(b"\n") + 1)
            if high > low:
                rows = block.split(b"\n")
                found |= {
                    line: rows[line - first].decode("utf-8", "replace").replace("\x00", "")
                    for line in wanted[low:high]
                    if line - first < len(rows)
                }
            if high == len(wanted):
                break
        return found

    def _whole_lines(self) -> Iterator[bytes]:
        decoder = codecs.getincrementaldecoder(self.encoding)(errors="replace")
        plain = self.encoding in {"utf-8", "utf-8-sig"}
        carry = b""
        for number, (raw, share) in enumerate(self.source.blocks()):
            part = raw.removeprefix(codecs.BOM_UTF8) if not number else raw
            block = carry + (part if plain else decoder.decode(raw).encode())
            held = b"\r" if block.endswith(b"\r") else b""
            block = _plain_ends(block[: len(block) - len(held)])
            cut = _before_words(block, block.rfind(b"\n") + 1)
            carry = block[cut:] + held
            if len(carry) > LONGEST_LINE_BYTES:
                raise BadData(
                    f"It has a line of more than {LONGEST_LINE_BYTES >> 20} MB, which no row of readings is.",
                    where=self.source.name,
                    mend="Export it again, one row a reading; a copy that went wrong can look like this.",
                )
            if cut:
                yield _valid(block[:cut]) if plain else block[:cut]
            if self._progress:
                self._progress(share)
        rest = _plain_ends(carry + (b"" if plain else decoder.decode(b"", final=True).encode()))
        if rest:
            yield _valid(rest)

    def _refuse_binary(self, start: bytes) -> None:
        sample = start[:4096].decode(self.encoding, "replace").replace("\x00", "")
        odd = sum(1 for letter in sample if ord(letter) < 32 and letter not in "\t\r\n\f") + sample.count("\ufffd")
        if odd > 0.05 * len(sample):
            raise BadData(
                "This is a binary file, not a CSV file.",
                where=self.source.name,
                mend="Export it as CSV (comma or semicolon separated text) and import that.",
            )


def encoding_of(start: bytes) -> str:
    """Name the encoding of a text by its first bytes."""
    for bom, name in BOMS:
        if start.startswith(bom):
            return name
    sample = start[:4096]
    if wide := _thirty_two_bits(sample) or _sixteen_bits(sample):
        return wide
    try:
        codecs.getincrementaldecoder("utf-8")().decode(start)
    except UnicodeDecodeError:
        if _mostly_utf8(start):
            return "utf-8"
        from charset_normalizer import from_bytes  # noqa: PLC0415 - slow to load, and most files are UTF-8

        best = from_bytes(start[: 1 << 16], cp_isolation=CODE_PAGES).best()
        found = best.encoding if best else "cp1252"
        if found not in LATIN and not _has_words_beyond_ascii(start):
            return "cp1252"
        return found if found not in LATIN or _oddities(start, found) < _oddities(start, "cp1252") else "cp1252"
    return "utf-8"


def _thirty_two_bits(sample: bytes) -> str | None:
    """UTF-32 without a mark, by where its zeros stand: three of four bytes of a Latin letter."""
    zeros = [sample[place::4].count(0) for place in range(4)]
    most, least = 0.9 * len(sample) / 4, 0.05 * len(sample) / 4
    if min(zeros[1:]) > most and zeros[0] < least:
        return "utf-32-le"
    return "utf-32-be" if min(zeros[:3]) > most and zeros[3] < least else None


def _sixteen_bits(sample: bytes) -> str | None:
    """UTF-16 without a mark: every other byte of a Latin letter is zero."""
    even, odd = sample[::2].count(0), sample[1::2].count(0)
    if max(even, odd) > 0.2 * len(sample) and min(even, odd) < 0.05 * len(sample):
        return "utf-16-le" if odd > even else "utf-16-be"
    return None


LATIN = frozenset({"mac_roman", "iso8859_15", "cp1250", "cp1254", "cp1257", "cp1252"})
"""Encodings that differ from code page 1252 by few letters, and are taken only where it makes no sense."""


def _has_words_beyond_ascii(start: bytes) -> bool:
    """Whether letters beyond ASCII stand together, as in other scripts; a degree sign here and there is none."""
    runs = re.findall(rb"[\x80-\xff]+", start)
    return sum(map(len, runs)) >= 2 * len(runs)


def _oddities(start: bytes, encoding: str) -> int:
    """How many letters beyond ASCII are neither letters nor signs that headers use."""
    text = start[: 1 << 16].decode(encoding, "replace")
    return sum(letter > "\x7f" and not letter.isalpha() and letter not in "°µ²³‰±·–’\u00a0" for letter in text)


def _mostly_utf8(block: bytes) -> bool:
    """Whether far more letters beyond ASCII are well-formed UTF-8 than are not: a torn byte or two among them."""
    text = block.decode("utf-8", "replace")
    wrong = text.count("\ufffd")
    return sum(letter > "\x7f" for letter in text) - wrong > 3 * wrong


def _before_words(block: bytes, end: int) -> int:
    """Where the last lines that begin with a word begin: they may be a header, and belong to the rows below them."""
    for _ in range(HEADER_LINES):
        start = block.rfind(b"\n", 0, max(end - 1, 0)) + 1
        if not start or block[start : start + 2].lstrip(b'" \t')[:1].isdigit():
            return end
        end = start
    return end


def _of_few_lines(block: bytes) -> Iterator[tuple[bytes, int]]:
    """A block as it is, or cut in halves until none has too many lines; each with its number of lines."""
    cut, lines = 0, line_count(block)
    if lines > MOST_LINES:
        half = block.rfind(b"\n", 0, len(block) // 2) + 1
        # a first line longer than the rest stands alone
        cut = _before_words(block, half) if half else block.find(b"\n") + 1
    if not cut or cut == len(block):
        yield block, lines
        return
    yield from _of_few_lines(block[:cut])
    yield from _of_few_lines(block[cut:])


def _plain_ends(block: bytes) -> bytes:
    return block.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in block else block


def _valid(block: bytes) -> bytes:
    if block.isascii():
        return block
    try:
        block.decode()
    except UnicodeDecodeError:
        return block.decode("utf-8" if _mostly_utf8(block) else "cp1252", "replace").encode()
    return block
