"""Pieces: the lines of a long text, some at a time, each piece read under the first header as if it were a file.

What reading takes in memory grows with what is read at once; a text that is longer than a piece may be taken in piece
by piece, as long as all of them are understood alike.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from logbook.ingest.options import MEBIBYTE
from logbook.ingest.text import Text, line_count

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from logbook.ingest.archive import Source
    from logbook.ingest.section import Section

PIECE_BYTES = 144 * MEBIBYTE
"""Text read at once, at least: three and a half million rows of five columns, which take some 600 MB to read and store."""


class Pieces:
    """Where a text is on its way; the present piece can be read as often as need be, then `go_on` to the next."""

    def __init__(self, piece_bytes: int = PIECE_BYTES) -> None:
        self.piece_bytes = piece_bytes
        self.first_line = 1
        """Of the present piece, in the whole text."""
        self.next_line: int | None = None
        """First line after the present piece once it was read; None where it reaches to the end."""
        self.is_one_table = True
        """Whether all that was read stands under one header."""
        self._head = b""
        self._top = b""
        self._taken: tuple[int, bytes] | None = None
        """A block that was met after the present piece, and the blocks after it."""
        self._following: Iterator[tuple[int, bytes]] | None = None

    def text(self, source: Source, progress: Callable[[float], None]) -> Text:
        """The present piece, with the lines above the first row before it."""
        return _Piece(source, progress, self)

    def look_at(self, sections: Sequence[Section]) -> None:
        """Note what stands above the first row, which heads the pieces to come."""
        self.is_one_table &= len(sections) == 1
        if self.first_line == 1 and sections:
            above = self._top.split(b"\n", sections[0].header.first_row - 1)[:-1]
            self._head = b"".join(line + b"\n" for line in above)
        self._top = b""

    def is_last(self) -> bool:
        """Whether the present piece, which was read, reaches to the end."""
        return self.next_line is None

    def go_on(self) -> None:
        """Go on to the next piece."""
        if self.next_line is None:
            raise ValueError("there is no other piece")
        self.first_line, self.next_line = self.next_line, None

    def blocks_of(self, text: Iterator[tuple[int, bytes]]) -> Iterator[tuple[int, bytes]]:
        """The blocks of the present piece; `text` are those of the whole, each with the number of its first line."""
        taken, following = self._taken, self._following
        self._taken, self._following = None, None
        if taken is None or following is None or taken[0] != self.first_line:
            taken, following = None, (entry for entry in text if entry[0] >= self.first_line)
        read, self.next_line = 0, None
        while entry := taken or next(following, None):
            taken, (line, block) = None, entry
            if read >= self.piece_bytes:
                self.next_line, self._taken, self._following = line, entry, following
                return
            if line == 1:
                self._top = block
            headed = self._head if line == self.first_line > 1 else b""
            read += len(block)
            yield line - line_count(headed), headed + block


class _Piece(Text):
    """The lines of a piece; they keep the numbers they have in the whole text."""

    def __init__(self, source: Source, progress: Callable[[float], None], pieces: Pieces) -> None:
        super().__init__(source, progress)
        self._pieces = pieces

    def blocks(self) -> Iterator[tuple[int, bytes]]:
        return self._pieces.blocks_of(super().blocks())

    def rows_like(self, block: bytes) -> int:
        rows, most = super().rows_like(block), self._pieces.piece_bytes * block.count(b"\n") // max(len(block), 1)
        return min(rows, most + block.count(b"\n"))
