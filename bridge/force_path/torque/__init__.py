"""Steering torque at the source's rate: one module a family of models, and the choice among them."""

from bridge.force_path.torque.choice import SteeringTorque

__all__ = ["SteeringTorque"]
