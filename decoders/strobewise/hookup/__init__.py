"""Before the capture: what to clip where, for which symptom."""
