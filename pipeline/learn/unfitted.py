"""Numbers that say nothing: what fitting starts from, so that it depends on no earlier fit."""

from __future__ import annotations

from pipeline.bone.evidence import EVIDENCE
from pipeline.counting.features import FEATURES
from pipeline.settings.second_pass import EvidenceModel, FamiliarModel, Trees
from pipeline.settings.values import Logit
from pipeline.settings.whole import Settings
from pipeline.together.confidence import CONFIDENCE, FAMILIAR
from pipeline.together.first_year import FIRST_YEAR
from pipeline.together.last_year import LAST_YEAR


def unfitted(settings: Settings) -> Settings:
    """The settings with everything that the second pass takes from fitting taken away."""
    size = len(FAMILIAR)
    return settings.model_copy(
        update={
            "evidence": EvidenceModel(
                trees=Trees(constant=0.0, feature=(0,), number=(0.0,), left=(-1,), roots=(0,)),
                centre=(0.0,) * len(EVIDENCE),
                scale=(1.0,) * len(EVIDENCE),
                reach=1.0,
                weights=(0.0,) * (len(EVIDENCE) + 2),
            ),
            "count": settings.count.model_copy(update={"weights": dict.fromkeys(FEATURES, 0.0)}),
            "confidence": _nothing(len(CONFIDENCE)),
            "first_year": _nothing(len(FIRST_YEAR)),
            "last_year": _nothing(len(LAST_YEAR)),
            "familiar": FamiliarModel(
                centre=(0.0,) * size,
                scale=(1.0,) * size,
                reach=1.0,
                whitening=tuple(float(i == j) for i in range(size) for j in range(size)),
                unfamiliar_above=1.0,
            ),
        }
    )


def _nothing(size: int) -> Logit:
    return Logit(centre=(0.0,) * size, scale=(1.0,) * size, weights=(0.0,) * (size + size * (size + 1) // 2), reach=1.0)
