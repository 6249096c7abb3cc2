"""Events of the force path: what the service reads from its counters; the force path itself never logs."""

from bridge.log.catalogue.event import Event

GUARD_ACTED = Event(
    "guard_acted",
    "warning",
    "A guard changed the torque; with which one and for how long.",
    "limit_cycle: strength too high for this sim's rate. divergence: polarity or a sign is wrong. "
    "thermal: more torque than the device bears for long.",
    "Did the wheel swing by itself, or run away from the centre?",
    "limit_cycle: lower strength or raise rolling_damping. divergence: check [wheel] polarity and the "
    "layout's signs. thermal: lower strength.",
)
TORQUE_CLIPPED = Event(
    "torque_clipped",
    "info",
    "The wanted torque was beyond the ceiling for a good part of the time; detail is lost there.",
    "strength is high for the ceiling.",
    "",
    "Lower [shaping] strength, or raise [governor] ceiling if you know your device.",
)
