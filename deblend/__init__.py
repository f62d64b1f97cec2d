"""Separation of simultaneous-source marine seismic lines recorded continuously."""

from __future__ import annotations

__version__ = "0.1.0"
