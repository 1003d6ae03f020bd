"""What is plugged in: serial ports, sensors that are files, GPIO chips, VISA resources. Looks, and asks only when told to."""
