"""What every table of a line, plan, blend or study file has in common."""

from __future__ import annotations

import msgspec


class KeyTable(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """A table of keys; one that is not listed is refused."""
