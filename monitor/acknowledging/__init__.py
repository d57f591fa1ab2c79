"""Acknowledging from where a message is read: links that are signed, expire, and are good for one alarm."""
