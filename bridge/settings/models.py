"""The settings, their defaults and their ranges: the one place where defaults live.

Every quantity may be written with a unit ("540 deg"); a bare number is SI. Field names are those of the
force path's parameters where they mean the same. Plugins' own keys are validated by the plugins.
"""

from __future__ import annotations

import itertools
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StrictBool, StrictInt, field_validator, model_validator

from bridge.contract.quantities import (
    Angle,
    CorneringStiffness,
    Damping,
    Duration,
    Frequency,
    Inertia,
    Length,
    Mass,
    Share,
    Size,
    Speed,
    SteeringRatio,
    Stiffness,
    Torque,
    TorqueRate,
)
from bridge.settings.ranges import Within

DEG = 3.141592653589793 / 180.0
MOST_POINTS = 64
"""A measured curve of more points is noise, and every tick walks over it."""


class Section(BaseModel):
    """Base of all tables: frozen; an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, use_attribute_docstrings=True)


class Service(Section):
    """How the daemon itself runs."""

    tick_rate: Annotated[Frequency, Within("50 Hz", "1000 Hz")] = 1000.0
    """Torque updates a second (50 Hz to 1000 Hz)."""
    wake_ahead: Annotated[Duration, Within("0 us", "250 us")] = 60e-6
    """How long before a deadline to wake; the rest is waited out on the clock. 0 saves 6 % of a core."""
    priority: StrictBool = True
    """Ask the system for real-time or better priority of the tick, where you may; without the right: no."""
    state_rate: Annotated[Frequency, Within("1 Hz", "60 Hz")] = 30.0
    """State messages a second on the bus."""
    user_plugins: str = ""
    """Folder of your own plugins (with 'sources' and 'sinks' in it). Their code runs with your rights."""
    watch: Literal["auto", "notices", "polling"] = "auto"
    """How a save is noticed; "polling" for a network share that "auto" does not take for one."""


class Source(BaseModel):
    """Where frames come from: a plugin and that plugin's own keys."""

    model_config = ConfigDict(frozen=True, extra="allow", use_attribute_docstrings=True)
    plugin: str = "shared_memory"
    """Name of a source plugin."""

    def table(self) -> dict[str, Any]:
        """Return the plugin's own keys."""
        return dict(self.model_extra or {})


class Wheel(Section):
    """The wheel in your hands."""

    peak_torque: Annotated[Torque, Within("0.1 N m", "100 N m")] = 8.0
    """Torque of the device at full level; its data sheet says it."""
    rotation: Annotated[Angle, Within("90 deg", "3600 deg")] = 540 * DEG
    """Lock to lock."""
    polarity: Literal["normal", "reversed"] = "normal"
    """'reversed' where the wheel pulls the wrong way."""
    minimum_torque: Annotated[Torque, Within("0 N m", "5 N m")] = 0.0
    """Smallest torque that moves the wheel; 0 = no compensation."""
    update_rate: Annotated[Frequency, Within("10 Hz", "1000 Hz")] = 1000.0
    """The most updates a second that the device takes."""
    linearisation: tuple[tuple[Share, Share], ...] = ()
    """Measured points [exerted share, level share], rising, up to [1, 1]; empty = linear."""

    @field_validator("linearisation")
    @classmethod
    def _rising(cls, points: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        if not points:
            return points
        if len(points) > MOST_POINTS:
            raise ValueError(f"at most {MOST_POINTS} points")
        whole = points if points[0] == (0.0, 0.0) else ((0.0, 0.0), *points)
        pairs = list(itertools.pairwise(whole))
        if whole[-1] != (1.0, 1.0) or not all(b[0] > a[0] and b[1] > a[1] for a, b in pairs):
            raise ValueError("points must rise in both columns and end with [1, 1]")
        return whole


class Car(Section):
    """The car that the sim simulates; starts from a profile of config/cars."""

    profile: str = "touring"
    """A file of config/cars (its stem), yours or ours."""
    mass: Annotated[Mass, Within("100 kg", "60 t")] = 1250.0
    """Mass with driver and fuel."""
    front_axle: Annotated[Length, Within("0.2 m", "10 m")] = 1.25
    """Centre of gravity to front axle."""
    rear_axle: Annotated[Length, Within("0.2 m", "10 m")] = 1.40
    """Centre of gravity to rear axle."""
    yaw_inertia: Annotated[Inertia, Within("50 kg m2", "1e6 kg m2")] = 1700.0
    """About the vertical axis."""
    front_stiffness: Annotated[CorneringStiffness, Within("5 kN/rad", "5000 kN/rad")] = 110e3
    """Cornering stiffness of the front axle, both tyres."""
    rear_stiffness: Annotated[CorneringStiffness, Within("5 kN/rad", "5000 kN/rad")] = 125e3
    """Cornering stiffness of the rear axle, both tyres."""
    friction: Annotated[Share, Within("0.05", "5")] = 1.1
    """Tyre-road friction coefficient."""
    contact_half_length: Annotated[Length, Within("10 mm", "500 mm")] = 0.06
    """Half the length of the contact patch."""
    caster: Annotated[Angle, Within("-10 deg", "30 deg")] = 5 * DEG
    """Caster angle."""
    kingpin_inclination: Annotated[Angle, Within("-5 deg", "30 deg")] = 12 * DEG
    """Kingpin inclination."""
    scrub_radius: Annotated[Length, Within("-200 mm", "200 mm")] = 0.02
    """Lateral offset of the contact centre from the kingpin at the ground, positive outside."""
    tyre_radius: Annotated[Length, Within("0.1 m", "1.5 m")] = 0.30
    """Loaded radius."""
    road_wheel_lock: Annotated[Angle, Within("3 deg", "70 deg")] = 24 * DEG
    """Road-wheel angle at the sim's lock, one side."""
    steering_ratio: Annotated[SteeringRatio, Within("0", "60")] = 0.0
    """Rim angle over road-wheel angle; 0 = half the wheel's rotation over road_wheel_lock."""
    steering_arm: Annotated[Length, Within("0.02 m", "0.5 m")] = 0.13
    """Rack travel for each radian of the road wheel; used with a sim's rack force only."""
    steering_assist: Annotated[Share, Within("0 %", "95 %")] = 0.0
    """Share of the steering torque that power steering carries."""


class Upsampling(Section):
    """From the source's rate to the device's."""

    method: Literal["hold", "blend"] = "blend"
    """'blend': straight lines, one frame late. 'hold': the last frame's torque, in steps."""


Level = Annotated[Share, Within("0", "3")]


class Feel(Section):
    """Added feel; every level: 0 = off, 1 = typical."""

    kerb: Level = 1.0
    """Shake of kerb teeth under a front tyre."""
    off_track: Level = 1.0
    """Shake of grass, gravel, sand, dirt."""
    road: Level = 0.3
    """Shake of the road's own roughness."""
    kerb_pitch: Annotated[Length, Within("0.05 m", "5 m")] = 0.5
    """Distance between kerb teeth."""
    longitudinal_pull: Level = 1.0
    """Pull of unequal longitudinal forces, where the torque model lacks it."""
    standstill_friction: Annotated[Torque, Within("0 N m", "5 N m")] = 0.3
    """Dry friction of standing tyres, fades with speed."""
    standstill_damping: Annotated[Damping, Within("0 N m s/rad", "3 N m s/rad")] = 0.3
    """Damping of standing tyres, fades with speed."""
    rolling_damping: Annotated[Damping, Within("0 N m s/rad", "2 N m s/rad")] = 0.05
    """Damping at all speeds."""
    fade_speed: Annotated[Speed, Within("0.1 m/s", "50 m/s")] = 3.0
    """Speed at which standstill friction and damping have halved."""
    end_stop_stiffness: Annotated[Stiffness, Within("0 N m/rad", "100 N m/rad")] = 15.0
    """Spring beyond the rotation."""
    end_stop_damping: Annotated[Damping, Within("0 N m s/rad", "3 N m s/rad")] = 0.4
    """Damper beyond the rotation."""
    seed: Annotated[StrictInt, Field(ge=0, le=2**63 - 1)] = 1
    """Seed of the textures: the same seed shakes the same."""


class Shaping(Section):
    """From the torque at the sim's rim to the torque at yours."""

    strength: Annotated[Share, Within("0 %", "100 %")] = 0.2
    """Share of the device's peak that reference_torque produces. Start low."""
    reference_torque: Annotated[Torque, Within("0.1 N m", "200 N m")] = 10.0
    """Torque at the sim's rim that counts as full."""
    centre_softness: Annotated[Share, Within("0 %", "100 %")] = 0.0
    """How far the slope around zero torque is lowered."""
    centre_width: Annotated[Share, Within("0 %", "100 %")] = 0.1
    """Share of the ceiling over which centre_softness acts."""
    saturation_knee: Annotated[Share, Within("10 %", "100 %")] = 0.7
    """Share of the ceiling from which the torque bends; 1 = clips hard."""


class Governor(Section):
    """Limits that nothing switches off; these only move them."""

    ceiling: Annotated[Torque, Within("0.01 N m", "100 N m")] | None = None
    """Most torque ever; unset = the lower of 2 N m and 25 % of the peak."""
    slew: Annotated[TorqueRate, Within("10 N m/s", "5000 N m/s")] = 200.0
    """Fastest change of torque."""
    fade_in: Annotated[Duration, Within("0.1 s", "60 s")] = 1.5
    """From zero to full after a start, a pause, a reconnection."""
    fade_out: Annotated[Duration, Within("10 ms", "170 ms")] = 0.07
    """From full to zero when frames stall; zero at the latest 0.2 s after the last good frame."""
    stall_time: Annotated[Duration, Within("20 ms", "150 ms")] = 0.11
    """Without a good frame for this long the fade out begins."""
    continuous_torque: Annotated[Torque, Within("0.01 N m", "100 N m")] | None = None
    """What the device bears for ever; unset = half its peak."""
    thermal_time: Annotated[Duration, Within("1 s", "10000 s")] = 120.0
    """Time constant of its heating."""

    @model_validator(mode="after")
    def _silence(self) -> Self:
        if self.stall_time + self.fade_out > 0.2:
            raise ValueError("stall_time + fade_out must not exceed 200 ms")
        return self


class Log(Section):
    """What is written about it all."""

    level: Literal["debug", "info", "warning", "error"] = "info"
    """Least level that is written."""
    console: StrictBool = True
    """Whether readable lines go to the terminal."""
    file_size: Annotated[Size, Within("10 kB", "1 GB")] = 2e6
    """Size at which the file is rotated."""
    files: Annotated[StrictInt, Field(ge=1, le=100)] = 5
    """How many old files are kept."""
    repeat_window: Annotated[Duration, Within("0.1 s", "1 h")] = 10.0
    """Within this time an event that repeats is counted, not written again."""


class Bus(Section):
    """State out, requests in, over ZeroMQ on loopback."""

    enabled: StrictBool = True
    """Whether there is a bus; 'draglink live' and 'calm' need it."""
    host: str = "127.0.0.1"
    """A loopback address; any other is refused."""
    state_port: Annotated[StrictInt, Field(ge=0, le=65535)] = 47810
    """Port of the state messages; 0 = any free one."""
    request_port: Annotated[StrictInt, Field(ge=0, le=65535)] = 47811
    """Port of the requests; 0 = any free one."""

    @field_validator("host")
    @classmethod
    def _loopback(cls, host: str) -> str:
        import ipaddress  # noqa: PLC0415 - 10 ms of import that only a changed host pays

        if host == "localhost":
            return "127.0.0.1"
        try:
            if ipaddress.ip_address(host).is_loopback:
                return host
        except ValueError:
            pass
        raise ValueError(
            "only a loopback address (127.0.0.1) is allowed: off this machine anybody could steer"
        )


class Settings(Section):
    """A whole settings file."""

    service: Service = Service()
    source: Source = Source()
    sinks: dict[str, dict[str, Any]] = {}
    """Sink plugins that run, each with its own keys."""
    wheel: Wheel = Wheel()
    car: Car = Car()
    upsampling: Upsampling = Upsampling()
    feel: Feel = Feel()
    shaping: Shaping = Shaping()
    governor: Governor = Governor()
    log: Log = Log()
    bus: Bus = Bus()
