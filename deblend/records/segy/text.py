"""Text records of 3200 bytes that a SEG-Y file does not count, recognised by their stanzas.

Extended textual headers end with the stanza ((SEG: EndText)) where bytes 3505-3506 read -1 [1]_,
and every trailer record begins with a stanza of its own. Text is ASCII or EBCDIC.

References
----------
.. [1] SEG Technical Standards Committee, 2002, SEG Y rev 1 Data Exchange Format, section 6.
"""

from __future__ import annotations

import re
from typing import Final

from deblend.errors import RecordError
from deblend.model.segy_layout import FIRST_HEADERS_BYTES, TEXTUAL_HEADER_BYTES
from deblend.records.file_bytes import OpenFile

_END: Final = re.compile(r"\(\(\s*SEG\s*:\s*EndText\s*\)\)", re.IGNORECASE)
_CODECS: Final = ("latin-1", "cp037")
_BEGIN: Final = tuple("((".encode(codec) for codec in _CODECS)
_MOST_TEXTS: Final = 32_767
"""As many as the word could count."""
_MOST_TRAILERS: Final = 10_000


def count_extended_texts(file: OpenFile) -> int:
    """Number of extended textual headers up to the one with the stanza that ends them."""
    size = TEXTUAL_HEADER_BYTES
    held = (file.size - FIRST_HEADERS_BYTES) // size
    for number in range(min(held, _MOST_TEXTS)):
        text = file.read(FIRST_HEADERS_BYTES + number * size, size, "an extended textual header")
        if any(_END.search(text.decode(codec)) for codec in _CODECS):
            return number + 1
    raise RecordError(
        "the number of extended textual headers is left open (bytes 3505-3506 read -1) and no "
        "stanza ((SEG: EndText)) ends them",
        where=str(file.path),
        remedy="Write their number into bytes 3505-3506.",
    )


def count_trailers(file: OpenFile, first: int, trace_bytes: int, trace_count: int) -> int:
    """Number of trailer records for which the size of the file closes.

    A `trace_count` of 0 says that the file does not tell; the first trailer is then looked for by
    the begin of its stanza.
    """
    size = TEXTUAL_HEADER_BYTES
    behind = file.size - first - trace_count * trace_bytes
    if trace_count:
        if behind < 0 or behind % size:
            raise _unclear(file)
        return behind // size
    for number in range(min((behind - trace_bytes) // size, _MOST_TRAILERS), 0, -1):
        closes = (behind - number * size) % trace_bytes == 0
        if closes and file.read(file.size - number * size, 2, "a trailer") in _BEGIN:
            return number
    if behind % trace_bytes:
        raise _unclear(file)
    return 0


def _unclear(file: OpenFile) -> RecordError:
    return RecordError(
        "the number of trailer records is left open (bytes 3529-3532 read -1) and none fits the "
        "size of the file",
        where=str(file.path),
        remedy="The file is truncated, or its counts are wrong; write their number into bytes "
        "3529-3532.",
    )
