"""A machine profile out of healthy captures: what they show of the machine, said with what they do not show."""
