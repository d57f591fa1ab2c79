"""What Goodwater remembers: embedded SQLite, one writer, a transaction per batch."""
