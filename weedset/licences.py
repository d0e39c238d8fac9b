"""Under which terms photos and labels may be given, and which may be pooled into one edition.

The rules for Creative Commons licences are their own: for each licence, the licences that
an adaptation of it may carry (the "adapter" rules of the Creative Commons FAQ). Works may
be combined where the sets have a licence in common; the result carries the lightest of
those. Licences outside that chart are never mixed automatically. Whether trained weights
are an adaptation is not settled, so the strictest reading is taken here. Not legal advice.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from weedset.errors import LicenceError


class Admission(StrEnum):
    """What an edition may do with material under a licence."""

    OPEN = "open"
    APART = "apart"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Licence:
    """One licence of the allow-list.

    `id` is its SPDX id, `url` its text ("" where the giver's own words are the text),
    `sentence` what it asks, `chart` its column in the Creative Commons chart ("" if none),
    `admission` how an edition treats it, and `reason` why, where it is not open.
    """

    id: str
    url: str
    sentence: str
    chart: str
    admission: Admission
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Credit:
    """A giver as a pool or a model names them."""

    giver: str
    rights_holder: str
    licence: str


_COMMONS = "https://creativecommons.org/licenses/{}/4.0/legalcode"
_NON_COMMERCIAL = (
    "an edition with it could not be used by anyone who sells vegetables, let alone machines"
)
_NO_DERIVATIVES = (
    "cutting photos into cells changes them, and changed copies may not be passed on under it"
)
_OUTSIDE = "no published chart says how it combines with Creative Commons licences"

#: Giver's own words, which permit non-commercial use only: SPDX calls such a text LicenseRef.
OWN_TERMS = "LicenseRef-non-commercial"

#: The allow-list, lightest burden first. Ids as in the SPDX License List; the sentences are
#: summaries, the texts behind the addresses are what holds.
LICENCES: tuple[Licence, ...] = (
    Licence(
        "CC0-1.0",
        "https://creativecommons.org/publicdomain/zero/1.0/legalcode",
        "Anyone may do anything with it, without naming you.",
        "PD",
        Admission.OPEN,
    ),
    Licence(
        "PDDL-1.0",
        "https://opendatacommons.org/licenses/pddl/1-0/",
        "The data are dedicated to the public: anyone may do anything with them.",
        "PD",
        Admission.OPEN,
    ),
    Licence(
        "CC-BY-4.0",
        _COMMONS.format("by"),
        "Anyone may use, change and sell it, as long as they name you.",
        "BY",
        Admission.OPEN,
    ),
    Licence(
        "CC-BY-SA-4.0",
        _COMMONS.format("by-sa"),
        "Anyone may use, change and sell it, as long as they name you and pass changed copies "
        "on under the same licence.",
        "BY-SA",
        Admission.OPEN,
    ),
    Licence(
        "CC-BY-NC-4.0",
        _COMMONS.format("by-nc"),
        "Anyone may use and change it without commercial gain, as long as they name you.",
        "BY-NC",
        Admission.APART,
        _NON_COMMERCIAL,
    ),
    Licence(
        "CC-BY-NC-SA-4.0",
        _COMMONS.format("by-nc-sa"),
        "Anyone may use and change it without commercial gain, as long as they name you and "
        "pass changed copies on under the same licence.",
        "BY-NC-SA",
        Admission.APART,
        _NON_COMMERCIAL,
    ),
    Licence(
        "CC-BY-ND-4.0",
        _COMMONS.format("by-nd"),
        "Anyone may pass it on unchanged, as long as they name you.",
        "BY-ND",
        Admission.REFUSED,
        _NO_DERIVATIVES,
    ),
    Licence(
        "CC-BY-NC-ND-4.0",
        _COMMONS.format("by-nc-nd"),
        "Anyone may pass it on unchanged and without commercial gain, as long as they name you.",
        "BY-NC-ND",
        Admission.REFUSED,
        _NO_DERIVATIVES,
    ),
    Licence(
        "CDLA-Permissive-2.0",
        "https://cdla.dev/permissive-2-0/",
        "Anyone may use, change and pass on the data, as long as this licence goes with them.",
        "",
        Admission.APART,
        _OUTSIDE,
    ),
    Licence(
        "ODC-By-1.0",
        "https://opendatacommons.org/licenses/by/1-0/",
        "Anyone may use and change the data base, as long as they say where it comes from.",
        "",
        Admission.APART,
        _OUTSIDE,
    ),
    Licence(
        "ODbL-1.0",
        "https://opendatacommons.org/licenses/odbl/1-0/",
        "Anyone may use and change the data base, as long as they say where it comes from and "
        "pass a changed one on under the same licence.",
        "",
        Admission.APART,
        _OUTSIDE,
    ),
    Licence(
        OWN_TERMS,
        "",
        "The owner's own words, written beside it, allow use without commercial gain.",
        "",
        Admission.APART,
        _NON_COMMERCIAL,
    ),
)

_BY_ID = {licence.id: licence for licence in LICENCES}

#: Columns of the chart, lightest burden first.
CHART = ("PD", "BY", "BY-SA", "BY-NC", "BY-NC-SA", "BY-ND", "BY-NC-ND")

#: For each column, the columns that an adaptation may carry: the published adapter sets
#: (Creative Commons FAQ, "adapter's license"; none for the no-derivatives licences).
ADAPTERS: dict[str, frozenset[str]] = {
    "PD": frozenset(CHART),
    "BY": frozenset(CHART) - {"PD"},
    "BY-SA": frozenset({"BY-SA"}),
    "BY-NC": frozenset({"BY-NC", "BY-NC-SA", "BY-NC-ND"}),
    "BY-NC-SA": frozenset({"BY-NC-SA"}),
    "BY-ND": frozenset(),
    "BY-NC-ND": frozenset(),
}


#: Licences that hubs of models and data know by an id of their own: the SPDX one in lower case.
HUB_LICENCES = frozenset(
    {
        "CC0-1.0", "PDDL-1.0", "CC-BY-4.0", "CC-BY-SA-4.0", "CC-BY-NC-4.0", "CC-BY-NC-SA-4.0",
    }
)  # fmt: skip


def hub_fields(licence: Licence) -> dict[str, str]:
    """Return how the YAML head of a card that hubs read states a licence."""
    if licence.id in HUB_LICENCES:
        return {"license": licence.id.lower()}
    fields = {"license": "other", "license_name": licence.id.lower()}
    return {**fields, "license_link": licence.url} if licence.url else fields


def require_licence(text: str, where: str) -> Licence:
    """Return the licence of an SPDX id, in whatever case.

    Raises LicenceError where it is not in the allow-list.
    """
    wanted = text.strip().lower()
    for licence in LICENCES:
        if licence.id.lower() == wanted:
            return licence
    near = _near(wanted)
    raise LicenceError(
        f"{text[:60]!r} is no licence that material can be given under here",
        where=where,
        fix=f"did you mean {' or '.join(near)}? `weedset licences` explains each"
        if near
        else f"use the SPDX id of one of {', '.join(_BY_ID)}",
    )


def _near(wanted: str) -> list[str]:
    """Return the ids that begin alike, or else those spelt nearly alike; not the refused ones."""
    asked = re.sub(r"[\s_]+", "-", wanted)
    ids = {licence.id.lower(): licence.id for licence in LICENCES if licence.admission != "refused"}
    alike = [known for low, known in ids.items() if asked and low.startswith(asked)]
    return alike or [ids[low] for low in difflib.get_close_matches(asked, ids, 3)]


def combine_columns(columns: Iterable[str]) -> str | None:
    """Return the lightest column of the chart that an adaptation of all may carry, or None."""
    common = frozenset(CHART)
    for column in columns:
        common &= ADAPTERS[column]
    return min(common, key=CHART.index, default=None)


def effective_licence(ids: Sequence[str], *, apart: bool = False) -> Licence:
    """Return the licence that an edition of material under all of `ids` must carry.

    Material that is kept apart (see `Admission`) is let in only where `apart` says that this
    is such an edition, and licences outside the chart only with their like.

    Raises LicenceError, with the reason, where it may not be pooled.
    """
    if not ids:
        raise LicenceError("there is nothing whose licence could be stated")
    licences = list(dict.fromkeys(require_licence(text, "licence") for text in ids))
    for licence in licences:
        if licence.admission is Admission.REFUSED:
            raise LicenceError(f"material under {licence.id} is refused: {licence.reason}")
        if licence.admission is Admission.APART and not apart:
            raise LicenceError(
                f"material under {licence.id} is kept apart: {licence.reason}",
                fix="leave it out, or make an edition of such material on purpose",
            )
    if len(licences) == 1:
        return licences[0]
    outside = [licence for licence in licences if not licence.chart]
    if outside:
        names = ", ".join(licence.id for licence in licences)
        what = f"{names} cannot be pooled: for {outside[0].id}, {_OUTSIDE}"
        raise LicenceError(what, fix="make an edition for each")
    column = combine_columns(licence.chart for licence in licences)
    if column is None:
        names = " and ".join(licence.id for licence in licences)
        what = f"{names} cannot be pooled: each asks for terms that the other forbids"
        raise LicenceError(what, fix="make an edition for each")
    return next(licence for licence in LICENCES if licence.chart == column)


def credit_lines(credits: Iterable[Credit]) -> list[str]:
    """Return one line for each giver and licence, sorted, each once."""
    return sorted(
        {f"{credit.giver} (rights: {credit.rights_holder}, {credit.licence})" for credit in credits}
    )
