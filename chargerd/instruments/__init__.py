"""Instruments as data: dialects, framings, transports, and the roles a channel needs."""
