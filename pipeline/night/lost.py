"""A loss of load as figures of its event: its class, the evidence, and what its readings were."""

from __future__ import annotations

from typing import Any, Final

from pipeline.events.loss_class import CLASSES, Facts, Judged
from pipeline.events.take_up import Aside
from pipeline.events.tension import Peak
from schemas.times import us_to_rfc3339

HIGHEST_IS: Final = "a lower bound on what the line bore"


def told_of(facts: Facts, judged: Judged) -> dict[str, Any]:
    """The figures. `evidence` has sentences for and against each class, and those that tell no class from another."""
    loss = facts.loss
    return {
        "class": judged.word,
        "evidence": {
            **{
                word: {"for": judged.on(word, speaks_for=True), "against": judged.on(word, speaks_for=False)}
                for word in CLASSES
            },
            "open": judged.open,
        },
        "last_loaded": _reading(loss.loaded),
        "first_unloaded": _reading(loss.unloaded),
        "last_loaded_kn": loss.loaded.kn,
        "unloaded_kn": loss.unloaded.kn,
        "highest_recorded_kn": loss.highest.kn,
        "highest_recorded_is": HIGHEST_IS,
        "fall_s": loss.fall_us / 1e6,
        "mean_before_kn": loss.mean_kn,
        "back_at": None if loss.back_us is None else us_to_rfc3339(loss.back_us),
        "back_kn": loss.back_kn,
        "gone_kn": None if loss.gone_kn is None else list(loss.gone_kn),
        "of_share": loss.of_share,
        "beside": dict(loss.beside),
        "later": dict(loss.later),
        "others": None if facts.aside is None else _others(facts.aside),
    }


def _reading(peak: Peak) -> dict[str, Any]:
    return {"at": us_to_rfc3339(peak.at_us), "kn": peak.kn, "at_least": peak.at_least}


def _others(aside: Aside) -> dict[str, Any]:
    """What other lines did about it."""
    told = aside.to_payload()
    return {name: told[name] for name in ("role", "neighbours", "others", "gone", "near", "in_turn")}
