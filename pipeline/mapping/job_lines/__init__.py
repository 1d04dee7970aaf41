"""What a workshop wrote of its jobs, in free text, read as actions on wheel ends."""
