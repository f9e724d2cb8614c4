"""The pictures of a plan."""
