"""Raw samples without a word about themselves: the user says what they are."""
