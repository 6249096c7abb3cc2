"""The record that Saltmarsh exports, in the manner of its time: z-down axes, degrees, a binary angle.

Little endian, 256 bytes; after each publication the lock is even, while it writes odd.

    offset type  what                                       unit, sign
         0 4 B   "SLTM"
         4 u16   version = 3
         6 u8    state: 0 menu, 1 drive, 2 pause
         7 i8    gear, -1 reverse
         8 u32   sequence lock
        12 u32   frame counter
        16 f64   sim clock                                  s
        24 f64   clock of the machine at publication        s (monotonic)
        32 f32   speed, forward                             km/h
        36 f32   lateral speed                              m/s, right positive
        40 f32   longitudinal acceleration                  g
        44 f32   lateral acceleration                       g, right positive
        48 f32   yaw rate                                   deg/s, right positive
        52 i16   road-wheel angle                           65536 a turn, right positive
        54 u16   engine speed                               1/min
        56 u8    throttle                                   255 = full
        57 u8    brake                                      255 = full
        64 ...   four tyres, 40 bytes each: front left, front right, rear left, rear right
           +0 f32 longitudinal force                        N
           +4 f32 lateral force                             N, right positive
           +8 f32 load                                      N
          +12 f32 aligning torque                           N m, right positive
          +16 f32 slip angle                                deg, vy right positive
          +20 f32 slip ratio
          +24 i32 suspension travel                         m, 16 bits behind the point
          +28 u8  surface: 0 asphalt, 1 kerb, 2 wet grass
"""

from __future__ import annotations

import struct
from typing import NamedTuple

SIZE = 256
MAGIC = b"SLTM"
VERSION = 3
MENU, DRIVE, PAUSE = 0, 1, 2
ASPHALT, KERB, WET_GRASS = 0, 1, 2
_HEAD = struct.Struct("<4sHBbIIddfffffhHBB")
_TYRE = struct.Struct("<ffffffiB")
_TYRES, _STRIDE, LOCK = 64, 40, 8
_PUBLISHED = struct.Struct("<d")


class TyreRow(NamedTuple):
    """One tyre as exported."""

    fx: float
    fy: float
    fz: float
    mz: float
    slip_angle_deg: float
    slip_ratio: float
    travel: float
    surface: int


def pack(
    lock: int,
    counter: int,
    clock: float,
    published: float,
    state: int,
    gear: int,
    motion: tuple[float, float, float, float, float],
    steer_turns: float,
    engine_rpm: float,
    pedals: tuple[float, float],
    tyres: tuple[TyreRow, TyreRow, TyreRow, TyreRow],
) -> bytearray:
    """Return a whole record.

    `motion` is speed (km/h), lateral speed (m/s), longitudinal and lateral acceleration (g), yaw rate
    (deg/s), the last four in z-down axes; `steer_turns` the road-wheel angle in turns, right positive.
    """
    record = bytearray(SIZE)
    angle = max(-32768, min(32767, round(steer_turns * 65536.0)))
    rpm = max(0, min(65535, round(engine_rpm)))
    throttle, brake = (max(0, min(255, round(255.0 * pedal))) for pedal in pedals)
    _HEAD.pack_into(
        record,
        0,
        MAGIC,
        VERSION,
        state,
        gear,
        lock,
        counter,
        clock,
        published,
        *motion,
        angle,
        rpm,
        throttle,
        brake,
    )
    for number, tyre in enumerate(tyres):
        travel = round(tyre.travel * 65536.0)
        values = (*tyre[:6], travel, tyre.surface)
        _TYRE.pack_into(record, _TYRES + number * _STRIDE, *values)
    return record


def published(record: bytes) -> float:
    """Return the machine's clock at publication, s, from a record's bytes."""
    return float(_PUBLISHED.unpack_from(record, 24)[0])
