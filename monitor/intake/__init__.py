"""From a wire to Samples: one file a driver, one file a payload."""
