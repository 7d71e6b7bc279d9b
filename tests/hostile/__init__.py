"""Hostile input: files, frames and folders that nobody meant well, thrown at everything that reads."""
