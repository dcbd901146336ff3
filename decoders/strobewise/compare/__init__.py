"""Two captures: what differs, from the lines up to the program."""
