"""What the captured program says: its instructions, and what the CPU must do next."""
