"""File to linear light."""
