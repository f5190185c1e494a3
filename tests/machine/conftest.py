"""The long profile of the state machine: `make machine`, or `pytest tests/machine --hypothesis-profile=machine`."""

from hypothesis import HealthCheck, settings

settings.register_profile(
    "machine",
    max_examples=300,
    stateful_step_count=25,
    deadline=None,
    print_blob=True,
    report_multiple_bugs=False,
    suppress_health_check=list(HealthCheck),
)
