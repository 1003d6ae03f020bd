"""What stands in `systemd/` and how the program behaves under a service manager."""
