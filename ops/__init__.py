"""Operating tautlog: the benchmark now; services, metrics and runbook as they come."""
