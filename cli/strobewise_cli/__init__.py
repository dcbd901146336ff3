"""The command line of strobewise: arguments in, the engine's answers out as text, JSON or HTML."""
