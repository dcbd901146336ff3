"""What a capture says, as plain numbers: the records between the rooms. No logic, no numpy."""
