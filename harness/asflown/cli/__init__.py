"""The command: each module parses, calls one function and prints."""
