"""An endless capture, window by window."""
