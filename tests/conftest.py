"""What holds for every test."""

from hypothesis import HealthCheck, settings

# A first example may load a kernel, and machines differ in speed: how long an example takes, or its making, proves
# nothing. Every run tries a few examples of each property, `make test-long` many.
settings.register_profile("tautlog", deadline=None, max_examples=30, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("long", settings.get_profile("tautlog"), max_examples=100)
settings.load_profile("tautlog")
