"""Scenarios: calls of an invented ship at an invented berth, each from one seed, with exact truth beside the logs.

`make(seed, family=..., rate_hz=...)` gives one, `write_site` makes a site folder of it, `count` counts its truth.
"""

from sample_logs.scenarios.berth import Berth as Berth
from sample_logs.scenarios.berth import BerthLine as BerthLine
from sample_logs.scenarios.making import NeverQuiet as NeverQuiet
from sample_logs.scenarios.making import make as make
from sample_logs.scenarios.policy import POLICY as POLICY
from sample_logs.scenarios.scenario import Recorded as Recorded
from sample_logs.scenarios.scenario import Scenario as Scenario
from sample_logs.scenarios.scenario import Truth as Truth
from sample_logs.scenarios.write import write_site as write_site
