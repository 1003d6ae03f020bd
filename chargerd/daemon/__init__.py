"""The thin shell that acts: clock, channel loop, worker, keeper and off."""
