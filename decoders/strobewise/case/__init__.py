"""One repair from symptom to proof: a folder of plain files, what it comes to, and what to do next."""
