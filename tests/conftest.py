"""What holds for every test."""

from hypothesis import settings

# A first example may load a kernel, and machines differ in speed: how long an example takes proves nothing.
settings.register_profile("tautlog", deadline=None)
settings.load_profile("tautlog")
