"""Value change dumps (IEEE Std 1364-2005, clause 18): the header, and three readers of the body that agree."""
