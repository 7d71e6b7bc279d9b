"""What runs inside the user's interpreter to hold a script to virtual time; standard library only, CPython 3.9+.

The folder is put on PYTHONPATH: `sitecustomize` is found there, and `asflown_held` as a top-level package. The
harness imports `asflown_held.protocol` from here, so that both sides read one definition.
"""
