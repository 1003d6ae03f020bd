"""Thermometers from what they are made of: resistance or voltage in, degrees Celsius or a named fault out."""
