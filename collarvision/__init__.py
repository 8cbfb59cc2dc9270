"""Stage young corn (maize) from a photo: leaf collars, height, and how sure the answer is.

The main job is one call::

    from collarvision import read_photo

    reading = read_photo("plant.jpg")
    print(reading.stage, reading.confidence, reading.record())

Nothing heavy is imported until it is used: ``collarvision --help`` must answer at once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collarvision.reading import Reading, read_photo

__version__ = "0.1.0"
__all__ = ["Reading", "__version__", "read_photo"]


def __getattr__(name: str) -> Any:
    """Import the library call when it is first asked for (PEP 562)."""
    if name in ("read_photo", "Reading"):
        from collarvision import reading

        return getattr(reading, name)
    raise AttributeError(f"module 'collarvision' has no attribute {name!r}")
