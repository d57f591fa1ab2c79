"""From the outbox to a person: message, ways of delivery, retries."""
