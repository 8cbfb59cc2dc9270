"""Demo: an invented farm, laid out in a folder so that every command has something to chew on."""

from __future__ import annotations

from collarvision.demo.laying import DemoError, DemoWriteError, Laid, lay_out

__all__ = ["DemoError", "DemoWriteError", "Laid", "lay_out"]
