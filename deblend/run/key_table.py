"""What every table of a line file has in common."""

from __future__ import annotations

import msgspec


class KeyTable(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """A table of the line file; a key that is not listed is refused."""
