"""A fleet's own files: what they are taken for, and how they are read. Start at ``command``."""
