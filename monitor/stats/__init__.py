"""Statistics of detection: pure, no I/O, no clock."""
