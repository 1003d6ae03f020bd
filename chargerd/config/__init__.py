"""The files a person writes: read with their places, checked all at once, turned into frozen models."""
