"""Simulated cells and instruments on the real wire. Shares nothing with the drivers."""
