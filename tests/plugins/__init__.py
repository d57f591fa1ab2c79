"""Plugins of our own for pytest, named in pyproject.toml."""
