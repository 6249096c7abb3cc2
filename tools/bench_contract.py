"""What it costs to make a full frame, against a frozen dataclass of the same fields in the same run."""

from __future__ import annotations

import sys
import timeit
from dataclasses import make_dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from bridge.contract import Frame, Surface, Tyre, Tyres
from bridge.layout import Decoder, load_layout
from bridge.settings.places import find_config

FIELDS = [(name, object) for name in Frame._fields]
Dataclass = make_dataclass("Dataclass", FIELDS, frozen=True, slots=True)


def tyre() -> Tyre:
    """Return a full tyre."""
    return Tyre(1.0, 2.0, 3.0, 4.0, 5.0, 6.0, Surface.ASPHALT, 7.0)


def full() -> Frame:
    """Return a full frame with four full tyres."""
    four = Tyres(tyre(), tyre(), tyre(), tyre())
    return Frame(1.0, 2, True, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, four, 1.0, 2.0, 3.0, 4.0, 5.0, 6)


def us(call: object, number: int = 50_000) -> float:
    """Return the least time of a call, us."""
    return min(timeit.repeat(call, number=number, repeat=5)) / number * 1e6  # type: ignore[arg-type]  # a callable


def main() -> None:
    """Print both and a decode of the demonstration's record."""
    values: tuple[Any, ...] = tuple(full())
    frozen = us(lambda: Dataclass(*values))
    alone = us(lambda: Frame(*values))
    whole = us(full)
    print(f"frame without its tyres {alone:.2f} us; as a frozen dataclass {frozen / alone:.1f} x that")
    print(f"frame with four full tyres {whole:.2f} us (aim: below 3 us)")
    decoder = Decoder(load_layout(find_config("sims", "saltmarsh")))
    record = bytearray(decoder.size)
    record[:6] = b"SLTM\x03\x00"
    data = bytes(record)
    cost = us(lambda: decoder.decode(data))
    print(f"decoding a record of {decoder.size} bytes with four tyres: {cost:.2f} us")


if __name__ == "__main__":
    main()
