"""Judging offline: files or the stored stream through the heart that watches live; no store, no wire."""
