"""What the record says about the cell, recomputed from volts, amps and seconds."""
