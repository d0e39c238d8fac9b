"""What a giver states: Darwin Core names, coarse places, dates, and who may not say what."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.packing.forge import GIVING, TODAY, read_bag
from weedset.contribution.giving import (
    Place,
    coarse,
    draw_site_id,
    giving_toml,
    place_uncertainty_m,
    read_giving,
    site_id,
)
from weedset.contribution.layout import TILE_NAME, photo_key, tile_key, tile_name, tile_place
from weedset.errors import ContributionError

#: Terms of the published list: Darwin Core, tdwg/dwc, dist/simple_dwc_vertical.csv (those
#: spelled out in the project's check-value book from commit 4f1cb23, and stateProvince,
#: identificationID and family as in commit 014232a).
DARWIN_CORE = frozenset(
    """
    occurrenceID basisOfRecord eventID eventDate recordedBy recordedByID scientificName
    scientificNameAuthorship scientificNameID taxonID taxonRank kingdom vernacularName
    identifiedBy identifiedByID dateIdentified identificationQualifier
    identificationRemarks identificationVerificationStatus lifeStage establishmentMeans
    degreeOfEstablishment occurrenceStatus occurrenceRemarks habitat samplingProtocol
    sampleSizeValue sampleSizeUnit decimalLatitude decimalLongitude geodeticDatum
    coordinateUncertaintyInMeters coordinatePrecision dataGeneralizations
    informationWithheld countryCode license rightsHolder accessRights associatedMedia
    datasetID datasetName institutionCode modified references bibliographicCitation
    stateProvince identificationID family
    """.split()  # noqa: SIM905  # a list to be compared with the published one
)


def test_names_that_look_like_darwin_core_are_darwin_core(packed: Path) -> None:
    """All names in camelCase are meant as Darwin Core terms; consentOn and licenceNote are ours."""
    bag = read_bag(packed)
    batch = json.loads(bag.files["data/batch.json"])
    names = {*batch, *batch["giving"], *batch["species"][0], *bag.rows("data/labels.jsonl")[0]}
    camel = {name for name in names if name != name.lower()} - {"consentOn", "licenceNote"}
    assert camel <= DARWIN_CORE
    assert camel >= {
        "eventID", "eventDate", "basisOfRecord", "rightsHolder", "recordedBy", "countryCode",
        "stateProvince", "decimalLatitude", "scientificName", "taxonRank", "vernacularName",
        "identifiedBy", "dateIdentified", "dataGeneralizations", "informationWithheld",
    }  # fmt: skip
    assert batch["basisOfRecord"] == "HumanObservation"  # a value of the term's vocabulary
    assert batch["license"] == "https://creativecommons.org/licenses/by/4.0/legalcode"


@given(st.floats(-89.99, 89.99))
def test_a_place_is_the_middle_of_its_square(degrees: float) -> None:
    middle = coarse(degrees)
    assert abs(middle - degrees) <= 0.05 + 1e-5
    assert coarse(middle) == middle
    assert round(middle * 20) % 2 == 1  # an odd number of twentieths


def test_uncertainty_is_half_the_diagonal() -> None:
    """A degree of latitude is about 111.3 km at the equator (WGS 84, from memory)."""
    assert place_uncertainty_m(Place()) is None
    assert place_uncertainty_m(Place("", "", 0.05, 0.05)) == pytest.approx(
        0.05 * 111_320 * math.sqrt(2), abs=1
    )


def write(folder: Path, text: str) -> Path:
    path = folder / "giving.toml"
    path.write_text(text, "utf-8")
    return path


def test_all_that_is_wrong_in_the_givers_file_is_said(tmp_path: Path) -> None:
    path = write(tmp_path, 'giver = "=x"\nlicense = "CC0"\nconsentOn = "2026-13-01"\n')
    with pytest.raises(ContributionError) as caught:
        read_giving(path, TODAY)
    for field in ("site", "giver", "rightsHolder", "licence", "consent", "consentOn", "license"):
        assert f"\n  {field}: " in str(caught.value)


def test_own_terms_need_their_words(tmp_path: Path) -> None:
    own = dataclasses.replace(GIVING, licence="LicenseRef-non-commercial")
    with pytest.raises(ContributionError, match="licenceNote: is missing"):
        read_giving(write(tmp_path, giving_toml(own)), TODAY)


def test_a_site_keeps_its_random_id(tmp_path: Path) -> None:
    first = site_id(tmp_path, "long acre", TODAY)
    assert first != site_id(tmp_path, "long acre", TODAY) != draw_site_id()
    path = tmp_path / "giving" / "long acre 2024-05-04.toml"
    path.parent.mkdir()
    path.write_text(giving_toml(GIVING))
    assert site_id(tmp_path, "long acre", TODAY) == GIVING.site
    assert site_id(tmp_path, "long acre two", TODAY) != GIVING.site


_NUMBERS = st.integers(0, 99_999)


@given(_NUMBERS, _NUMBERS, _NUMBERS)
def test_the_name_of_a_tile_tells_its_place(number: int, row: int, col: int) -> None:
    key = tile_key(photo_key(number), row, col)
    assert TILE_NAME.fullmatch(tile_name(key))
    assert tile_place(key) == (photo_key(number), row, col)
