"""Measurements (`make bench`). They pass and fail nothing; they are printed beside the project's own goals."""
