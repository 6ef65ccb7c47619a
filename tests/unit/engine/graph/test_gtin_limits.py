"""Limits on trade item numbers: four lengths, one number."""

import pytest

from engine.graph.compile import compile_recipe
from engine.problems import ProblemsFound
from engine.recipe.load import load_recipe
from engine.run.judge import judge

RECIPE = """\
format: 1
product: toy
cameras:
  side:
    steps:
      code:
        step: code_content
        settings: {{symbology: ean13}}
        limits: {{gtin: {{equals: {gtin}}}}}
"""


def limits_of(folder, gtin):
    (folder / "recipe.yaml").write_text(RECIPE.format(gtin=gtin))
    return compile_recipe(load_recipe(folder), {}).cameras["side"].steps[0].limits


# GS1 General Specifications: shorter GTINs are right-justified with zeros in 14 digits; the
# numbers are examples of the GS1 Barcode Syntax Dictionary and GS1 Hong Kong.
@pytest.mark.parametrize(
    ("written", "measured"),
    [
        ("02345673", "00000002345673"),
        ("6291041500213", "06291041500213"),
        ("06291041500213", "06291041500213"),
    ],
)
def test_every_length_of_a_trade_item_number_means_the_same(tmp_path, written, measured):
    limits = limits_of(tmp_path, written)
    assert judge(limits, {"gtin": measured}, None)[0].good
    assert not judge(limits, {"gtin": "02004481070017"}, None)[0].good


@pytest.mark.parametrize("written", ["6291041500214", "62910415002", "apples"])
def test_what_is_no_trade_item_number_is_refused(tmp_path, written):
    with pytest.raises(ProblemsFound, match="is no trade item number"):
        limits_of(tmp_path, written)
