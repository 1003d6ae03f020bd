"""How bytes move."""
