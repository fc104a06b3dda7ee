"""Priors: the share of a night's frames that each fault is taken to have.

A confidence is an answer to "how likely is this fault in this frame", and that hangs on how
common the fault is: a trail under a busy sky is a likelier trail. A model is calibrated for the
shares in its config.json; `nightcull label --prior clouds=0.3` states another one, and
`weights.Model.with_prior` does the arithmetic.
"""

from collections.abc import Mapping, Sequence

from classifier.errors import UsageError
from classifier.vocabulary import KEYS
from classifier.wording import joined

ALL = "all"
LOWEST, HIGHEST = 0.001, 0.999  # beyond these Bayes' rule hears nothing but the prior
# No label is given below even odds, none is perhaps there below one in five, whatever the prior.
LOWEST_THRESHOLD = 0.5
LOWEST_UNSURE = 0.2


def read_prior(given: Sequence[str]) -> dict[str, float]:
    """`NAME=SHARE` texts -> share by fault. NAME is a fault's key, or `all` for every fault that
    is not named itself; SHARE is a number from 0.001 to 0.999. Raises UsageError."""
    shares: dict[str, float] = {}
    for text in given:
        name, equals, value = (part.strip() for part in text.partition("="))
        if not equals:
            raise UsageError(
                f"--prior takes NAME=SHARE, not {text!r}; write --prior clouds=0.3, for instance."
            )
        if name not in (ALL, *KEYS):
            raise UsageError(
                f"--prior: there is no fault {name!r}; name one of {', '.join(KEYS)}, or {ALL}."
            )
        if name in shares:
            raise UsageError(f"--prior: {name} is given twice; give it once.")
        shares[name] = _share(name, value)
    common = dict.fromkeys(KEYS, shares[ALL]) if ALL in shares else {}
    return common | {name: share for name, share in shares.items() if name != ALL}


def _share(name: str, text: str) -> float:
    try:
        share = float(text)
    except ValueError:
        share = float("nan")
    if not LOWEST <= share <= HIGHEST:
        raise UsageError(
            f"--prior: {name} needs the share of the frames that have it, a number from {LOWEST} "
            f"to {HIGHEST}, not {text!r}; 0.3 means three frames in ten."
        )
    return share


def prior_sentence(prior: Mapping[str, float]) -> str:
    """The prior in words: the share most faults have, then those of the others."""
    shares = list(prior.values())
    if not shares:
        return ""
    usual = max(dict.fromkeys(shares), key=shares.count)
    others: dict[float, list[str]] = {}
    for name, share in prior.items():
        if share != usual:
            others.setdefault(share, []).append(name)
    told = "Confidences are stated for nights on which each fault has "
    told += f"{_percent(usual)} of the frames"
    if others:
        told += ", except " + joined(
            f"{joined(names)} {_percent(share)}" for share, names in others.items()
        )
    return told + "."


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if share < 0.1 else f"{100 * share:.0f} %"
