"""What comes every year: a season of use, and a time in which nobody is checked."""
