"""What holds for every test."""

from hypothesis import HealthCheck, settings

# A first example may load a kernel, and machines differ in speed: how long an example takes, or its making, proves
# nothing.
settings.register_profile("tautlog", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("tautlog")
