"""What cannot be read, in words."""

from __future__ import annotations


class Unreadable(Exception):
    """A file that cannot be judged; the text names it, what is wrong with it and what would be right."""
