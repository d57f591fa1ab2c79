"""Water science: pure functions on floats, the unit in every name."""
