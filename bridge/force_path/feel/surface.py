"""Shake from what the front tyres stand on: kerb teeth, loose ground, the road's own roughness.

All of it in N m at the sim's rim. Kerb teeth are a sine of the distance travelled; loose ground and road are
noise from the settings' seed, band-passed in *distance* so that it gets faster with the car, and limited
below half the tick rate so that nothing aliases. At standstill there is no shake.
"""

from __future__ import annotations

from bridge.contract.frame import Surface
from bridge.force_path.arithmetic import PI, Noise, clamp, sine, smooth_step
from bridge.force_path.moment import Moment
from bridge.force_path.parameters import Parameters

_KERB_SHARE = 0.12
"""Amplitude of kerb teeth at level 1, share of the reference torque (common practice, no source)."""
_ROAD_SHARE = 0.03
"""Amplitude of the road's shake at level 1 on asphalt, share of the reference torque (as above)."""
_LOOSE_SHARE = 0.12
_ROUGHNESS: dict[int, tuple[float, float]] = {
    Surface.GRASS: (0.8, 0.5),
    Surface.WET_GRASS: (0.6, 0.6),
    Surface.GRAVEL: (1.2, 0.2),
    Surface.SAND: (0.7, 0.8),
    Surface.DIRT: (0.9, 0.35),
    Surface.SNOW: (0.5, 0.5),
}
"""Loose ground: amplitude relative to `_LOOSE_SHARE`, and the length of its bumps, m."""
_ROAD: dict[int, float] = {
    Surface.ASPHALT: 1.0,
    Surface.CONCRETE: 1.3,
    Surface.WET_ASPHALT: 0.8,
    Surface.ICE: 0.2,
}
"""Paved ground: amplitude relative to `_ROAD_SHARE`."""
_ROAD_LENGTH = 0.35
"""Length of the road's bumps, m."""
_FULL_SPEED = 8.0
"""Speed from which the shake has its full size, m/s."""
_RAMP = 0.02
"""A surface takes effect within about this time, s: no step when a tyre reaches it."""


class SurfaceShake:
    """Sum of what both front tyres give; left and right of opposite sign, as their scrub radii are."""

    def __init__(self, parameters: Parameters) -> None:
        self.reset_to(parameters.feel.seed)
        self.configure(parameters)

    def configure(self, parameters: Parameters) -> None:
        """See `Stage`."""
        feel, reference = parameters.feel, parameters.shaping.reference_torque
        self._kerb = feel.kerb * _KERB_SHARE * reference
        self._loose = feel.off_track * _LOOSE_SHARE * reference
        self._road = feel.road * _ROAD_SHARE * reference
        self._pitch = feel.kerb_pitch
        self._nyquist = 0.5 * min(parameters.tick_rate, parameters.wheel.update_rate)
        if feel.seed != self._seed:
            self.reset_to(feel.seed)
        self._off = not (self._kerb or self._loose or self._road)

    def reset(self) -> None:
        """See `Stage`."""
        self.reset_to(self._seed)

    def reset_to(self, seed: int) -> None:
        """Start the textures again from `seed`."""
        self._seed = seed
        self._noise = Noise(seed)
        self._phase = 0.0
        self._kerb_now = self._rough_now = 0.0
        self._length = _ROAD_LENGTH
        self._fast = self._slow = 0.0

    def step(self, torque: float, moment: Moment) -> float:
        """See `Stage`."""
        speed = moment.road_speed
        if self._off or speed == 0.0:
            return torque
        kerb, rough = self._targets(moment)
        share = moment.dt / (_RAMP + moment.dt)
        self._kerb_now += (kerb - self._kerb_now) * share
        self._rough_now += (rough - self._rough_now) * share
        size = speed / _FULL_SPEED if speed < _FULL_SPEED else 1.0
        if self._kerb_now > 1e-4 or self._kerb_now < -1e-4:
            torque += size * self._kerb_now * self._teeth(speed, moment.dt)
        if self._rough_now > 1e-4:
            torque += size * self._rough_now * self._bumps(speed, moment.dt)
        return torque

    def _targets(self, moment: Moment) -> tuple[float, float]:
        frame = moment.frame
        if frame is None or frame.tyres is None:
            return 0.0, 0.0
        kerb = rough = 0.0
        side = 1.0
        for tyre in frame.tyres[:2]:
            surface = tyre.surface
            if surface is None:
                continue
            if surface == Surface.KERB:
                kerb += side * self._kerb
            elif surface in _ROAD:
                rough += 0.5 * _ROAD[surface] * self._road
            elif surface in _ROUGHNESS:
                amplitude, self._length = _ROUGHNESS[surface]
                rough += 0.5 * amplitude * self._loose
            side = -0.5  # both on kerbs: they never hit the teeth together, so the sum is not zero
        if rough <= self._road:
            self._length = _ROAD_LENGTH
        return kerb, rough

    def _teeth(self, speed: float, dt: float) -> float:
        frequency = speed / self._pitch
        self._phase += frequency * dt
        self._phase -= int(self._phase)
        audible = 1.0 - smooth_step((frequency / self._nyquist - 0.6) / 0.3)
        return audible * sine(2.0 * PI * self._phase) if audible > 0.0 else 0.0

    def _bumps(self, speed: float, dt: float) -> float:
        """Difference of two low passes of white noise, scaled to about unit RMS over the band."""
        high = clamp(2.0 * PI * speed / self._length, 1.0, PI * 0.6 * self._nyquist)
        low = 0.2 * high
        white = self._noise.next()
        share_high = high * dt / (1.0 + high * dt)
        share_low = low * dt / (1.0 + low * dt)
        self._fast += (white - self._fast) * share_high
        self._slow += (self._fast - self._slow) * share_low
        return (self._fast - self._slow) * (1.5 / (0.1 + share_high))
