"""The wiring sheet: what a bench file says about wires, drawn and listed for the person who builds it. Pure."""
