"""Taking a capture through the capture host: its devices, the leads as planned, one record or bursts of them, and what came of it."""
