"""Licences, checked by license-expression (SPDX) and Creative Commons' own published rules."""

from __future__ import annotations

import re

import pytest
from license_expression import get_spdx_licensing

from weedset.errors import LicenceError
from weedset.licences import (
    CHART,
    HUB_LICENCES,
    LICENCES,
    OWN_TERMS,
    Admission,
    Credit,
    combine_columns,
    credit_lines,
    effective_licence,
    hub_fields,
    require_licence,
)
from weedset.server.desk import LICENCES as OFFERED

#: The Creative Commons compatibility chart: the lightest licence for an adaptation of two
#: works, "-" where they may not be combined. Derived from the published adapter sets
#: (Creative Commons FAQ; libguides.easternflorida.edu c.php?g=844646&p=8403288), and
#: "cannot" for BY-SA with NC stated at libguides.oberlin.edu/copyright101/licenses.
TABLE = """
          PD        BY        BY-SA  BY-NC     BY-NC-SA  BY-ND  BY-NC-ND
PD        PD        BY        BY-SA  BY-NC     BY-NC-SA  -      -
BY        BY        BY        BY-SA  BY-NC     BY-NC-SA  -      -
BY-SA     BY-SA     BY-SA     BY-SA  -         -         -      -
BY-NC     BY-NC     BY-NC     -      BY-NC     BY-NC-SA  -      -
BY-NC-SA  BY-NC-SA  BY-NC-SA  -      BY-NC-SA  BY-NC-SA  -      -
BY-ND     -         -         -      -         -         -      -
BY-NC-ND  -         -         -      -         -         -      -
"""


def test_each_licence_has_a_place_in_the_chart_or_says_why_not() -> None:
    for licence in LICENCES:
        assert licence.chart in (*CHART, "")
        assert licence.chart or licence.admission is not Admission.OPEN, licence.id


def test_licences_that_are_offered_or_known_elsewhere_are_in_the_list() -> None:
    for spdx in (*HUB_LICENCES, *(spdx for spdx, _ in OFFERED)):
        assert require_licence(spdx, "here").id == spdx


def test_a_hub_gets_its_own_id_or_a_name_and_a_link() -> None:
    """Fields of the heads of cards (Hugging Face hub-docs, "repositories-licenses.md")."""
    assert hub_fields(require_licence("CC-BY-4.0", "here")) == {"license": "cc-by-4.0"}
    odd = hub_fields(require_licence("CDLA-Permissive-2.0", "here"))
    assert odd["license"] == "other"
    assert odd["license_name"] == "cdla-permissive-2.0"
    assert odd["license_link"].startswith("http")


PAIRS = [
    (line.split()[0], column, cell)
    for line in TABLE.split("\n")[2:-1]
    for column, cell in zip(TABLE.split("\n")[1].split(), line.split()[1:], strict=True)
]


@pytest.mark.parametrize(("one", "other", "result"), PAIRS)
def test_the_chart_of_creative_commons(one: str, other: str, result: str) -> None:
    assert combine_columns([one, other]) == (None if result == "-" else result)


def test_the_table_is_whole() -> None:
    assert len(PAIRS) == len(CHART) ** 2


@pytest.mark.parametrize("licence", LICENCES, ids=lambda licence: licence.id)
def test_ids_are_those_of_spdx(licence: object) -> None:
    ident = licence.id  # type: ignore[attr-defined]
    if ident == OWN_TERMS:
        # SPDX specification 2.3, annex D: LicenseRef- and letters, digits, dots, hyphens
        assert re.fullmatch(r"LicenseRef-[A-Za-z0-9.-]+", ident)
        return
    parsed = get_spdx_licensing().parse(ident, validate=True, strict=True)
    assert str(parsed) == ident


@pytest.mark.parametrize("licence", LICENCES, ids=lambda licence: licence.id)
def test_each_is_explained_in_one_sentence(licence: object) -> None:
    sentence = licence.sentence  # type: ignore[attr-defined]
    assert sentence.endswith(".")
    assert sentence.count(".") == 1
    admission, reason = licence.admission, licence.reason  # type: ignore[attr-defined]
    assert bool(reason) == (admission is not Admission.OPEN)


def test_spelling_is_forgiven_but_not_guessed() -> None:
    assert require_licence(" cc-by-4.0 ", "x").id == "CC-BY-4.0"
    with pytest.raises(LicenceError, match=r"x: 'CC BY 4\.0' is no licence"):
        require_licence("CC BY 4.0", "x")


@pytest.mark.parametrize(
    ("text", "near"),
    [
        ("cc-by", "CC-BY-4.0"),
        ("CC BY 4.0", "CC-BY-4.0"),
        ("cc0", "CC0-1.0"),
        ("CC-BY-SA", "CC-BY-SA-4.0"),
    ],
)
def test_near_ids_are_named(text: str, near: str) -> None:
    with pytest.raises(LicenceError) as caught:
        require_licence(text, "x")
    assert near in caught.value.fix
    assert "ND" not in caught.value.fix


@pytest.mark.parametrize(
    ("text", "near"),
    [
        # the beginning of several: all of them, and none that is merely spelt nearly alike
        ("CC_BY \t SA", "CC-BY-SA-4.0"),
        ("odc by", "ODC-By-1.0"),
        ("cc by nc", "CC-BY-NC-4.0 or CC-BY-NC-SA-4.0"),
        # a letter for a digit
        ("CC0-1.O", "CC0-1.0"),
    ],
)
def test_near_ids_are_those_that_begin_alike_or_else_are_spelt_so(text: str, near: str) -> None:
    with pytest.raises(LicenceError) as caught:
        require_licence(text, "x")
    assert caught.value.fix == f"did you mean {near}? `weedset licences` explains each"


def test_far_ids_get_the_whole_list() -> None:
    with pytest.raises(LicenceError) as caught:
        require_licence("mine", "x")
    ids = ", ".join(licence.id for licence in LICENCES)
    assert caught.value.fix == f"use the SPDX id of one of {ids}"


def test_a_very_long_id_is_not_repeated_whole() -> None:
    with pytest.raises(LicenceError) as caught:
        require_licence("?" * 100, "x")
    assert caught.value.what.startswith(f"'{'?' * 60}' is no licence")


@pytest.mark.parametrize(
    ("ids", "apart", "what", "fix"),
    [
        ([], False, "there is nothing whose licence could be stated", ""),
        (
            ["CC0-1.0", "CC-BY-NC-4.0"],
            False,
            "material under CC-BY-NC-4.0 is kept apart: an edition with it could not be used by "
            "anyone who sells vegetables, let alone machines",
            "leave it out, or make an edition of such material on purpose",
        ),
        (
            ["CC-BY-4.0", "ODbL-1.0", "CC-BY-4.0"],
            True,
            "CC-BY-4.0, ODbL-1.0 cannot be pooled: for ODbL-1.0, no published chart says how it "
            "combines with Creative Commons licences",
            "make an edition for each",
        ),
        (
            ["CC-BY-SA-4.0", "CC-BY-NC-4.0"],
            True,
            "CC-BY-SA-4.0 and CC-BY-NC-4.0 cannot be pooled: each asks for terms that the other "
            "forbids",
            "make an edition for each",
        ),
    ],
)
def test_what_may_not_be_pooled_is_told_with_the_way_out(
    ids: list[str], apart: bool, what: str, fix: str
) -> None:
    with pytest.raises(LicenceError) as caught:
        effective_licence(ids, apart=apart)
    assert (caught.value.what, caught.value.fix) == (what, fix)


def test_an_unknown_id_among_those_to_pool_is_named() -> None:
    with pytest.raises(LicenceError) as caught:
        effective_licence(["CC0-1.0", "mine"])
    assert caught.value.where == "licence"


@pytest.mark.parametrize(
    ("ids", "result"),
    [
        (["CC0-1.0"], "CC0-1.0"),
        (["CC0-1.0", "PDDL-1.0"], "CC0-1.0"),
        (["CC0-1.0", "CC-BY-4.0"], "CC-BY-4.0"),
        (["CC-BY-SA-4.0", "CC-BY-4.0", "CC0-1.0"], "CC-BY-SA-4.0"),
    ],
)
def test_the_effective_licence_of_a_pool(ids: list[str], result: str) -> None:
    assert effective_licence(ids).id == result


@pytest.mark.parametrize("ident", ["CC-BY-NC-4.0", "CC-BY-NC-SA-4.0", "ODbL-1.0", OWN_TERMS])
def test_some_are_kept_apart_with_the_reason(ident: str) -> None:
    with pytest.raises(LicenceError, match="kept apart: ") as caught:
        effective_licence(["CC0-1.0", ident])
    assert caught.value.fix
    assert effective_licence([ident], apart=True).id == ident


def test_apart_editions_follow_the_chart_too() -> None:
    pooled = effective_licence(["CC-BY-4.0", "CC-BY-NC-4.0", "CC-BY-NC-SA-4.0"], apart=True)
    assert pooled.id == "CC-BY-NC-SA-4.0"
    with pytest.raises(LicenceError, match="cannot be pooled"):
        effective_licence(["CC-BY-SA-4.0", "CC-BY-NC-4.0"], apart=True)
    with pytest.raises(LicenceError, match="no published chart"):
        effective_licence(["ODbL-1.0", "CC-BY-4.0"], apart=True)


@pytest.mark.parametrize("apart", [False, True])
def test_no_derivatives_are_always_refused(apart: bool) -> None:
    for ident in ("CC-BY-ND-4.0", "CC-BY-NC-ND-4.0"):
        with pytest.raises(LicenceError, match="refused: cutting photos"):
            effective_licence([ident], apart=apart)


def test_givers_are_listed_once_each() -> None:
    anna = Credit("anna", "Anna B.", "CC-BY-4.0")
    ben = Credit("ben", "Ben", "CC0-1.0")
    assert credit_lines([ben, anna, anna]) == [
        "anna (rights: Anna B., CC-BY-4.0)",
        "ben (rights: Ben, CC0-1.0)",
    ]
