"""Holds one process to the harness's virtual clock; loaded by `sitecustomize` before the user's first line."""
