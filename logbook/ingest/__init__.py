"""From an exported file to a `Recording`: recognise, map, repair, set aside, and the draft receipt."""

from logbook.ingest.mapping import Mapping, mapping_text, parse_mapping, read_mapping
from logbook.ingest.options import ImportOptions
from logbook.ingest.question import Ask, Question
from logbook.ingest.read import lines_of, read_export

__all__ = [
    "Ask",
    "ImportOptions",
    "Mapping",
    "Question",
    "lines_of",
    "mapping_text",
    "parse_mapping",
    "read_export",
    "read_mapping",
]
