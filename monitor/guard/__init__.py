"""The guard: a second, small process on another machine, that misses the watch when it falls silent."""
