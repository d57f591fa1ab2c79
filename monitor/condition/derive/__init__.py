"""Derived channels: what is computed of other channels, in the order of events, after conditioning."""

from monitor.condition.derive.deriver import Derivation, Deriver
from monitor.condition.derive.kinds import build

__all__ = ["Derivation", "Deriver", "build"]
