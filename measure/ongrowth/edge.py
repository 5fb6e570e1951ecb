"""Edge."""
