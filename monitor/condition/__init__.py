"""Sample to Reading: calibration, compensation, quality flags, flow gate."""
