"""Long measurements, ``sh tests/run.sh --long NAME``; result.py says how one is written."""
