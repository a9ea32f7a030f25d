"""One file a step forward, oldest first."""
