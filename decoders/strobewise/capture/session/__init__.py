"""Session files of the capture host."""
