"""Teaching material from pictures that were shot to be compared: for the screen, for paper, for the class."""
