"""What watchers see, fed by Snapshots alone."""
