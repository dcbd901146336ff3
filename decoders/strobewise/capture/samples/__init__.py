"""Raw samples of a logic analyser: a few bytes a sample, a bit for each channel, at a rate that the file or the user names."""
