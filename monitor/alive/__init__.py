"""Signs of life, for others to miss: the heartbeat, the status topic, the daily line."""
