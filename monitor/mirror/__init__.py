"""A copy of what the store keeps, on an InfluxDB-compatible server: downstream of all else."""
