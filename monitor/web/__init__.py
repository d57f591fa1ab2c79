"""The page: a process of its own, reads the store, writes nothing."""
