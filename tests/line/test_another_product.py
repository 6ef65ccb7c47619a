"""A new product from nothing, as the README tells: cut, teach, replay."""

import shutil

import pytest

from engine.cli.main import main
from engine.records.results import read_results
from engine.report.score import score
from engine.report.truth import read_truth
from tests.generators.pralines import code_text, write_set

START = """\
format: 1
product: halden-12
order: {{lot: text, expiry: date}}
cameras:
  slant:
    steps:
      panel:
        step: locate
        settings:
          reference: slant.png
          reference_is_frame: true
          size_mm: [160, 100]
          corners_px: {slant}
          search_mm: 8
          leave_out_mm: [[56, 34, 102, 56]]
        not_measured: {{reject_as: carton not found}}
"""

REST = """\
      label:
        step: locate
        placed_by: panel
        settings:
          reference: label.png
          size_mm: [90, 44]
          at_mm: [62, 40]
          search_mm: 9
          search_deg: 8
          leave_out_mm: [[3, 25, 50, 16]]
        limits:
          shift_mm: {{max: 2.5, reject_as: label shifted, catches: [label-shifted]}}
          turn_deg: {{min: -3, max: 3, reject_as: label turned, catches: [label-skewed]}}
        not_measured: {{reject_as: label missing, catches: [missing-label]}}
      print:
        step: print_difference
        placed_by: label
        region_mm: {{x: 0.5, y: 0.5, width: 89, height: 43}}
        leave_out: [lot, expiry, code]
        settings: {{reference: print.npz}}
        limits:
          difference:
            {{max: 9, reject_as: print differs, catches: [print-smudge], explained_by: slant.label}}
      lot:
        step: printed_text
        placed_by: label
        region_mm: {{x: 3, y: 25, width: 40, height: 7.5}}
        settings: {{text: "LOT {{lot}}", reference: lot.npz, height_mm: 3.4}}
        limits: {{worst_margin: {{min: 0.1, reject_as: wrong lot, catches: [wrong-lot]}}}}
      expiry:
        step: printed_text
        placed_by: label
        region_mm: {{x: 3, y: 33, width: 45, height: 7.5}}
        settings: {{text: "EXP {{expiry:dd.mm.yyyy}}", reference: expiry.npz, height_mm: 3.4}}
        limits: {{worst_margin: {{min: 0.1, reject_as: wrong date, catches: [wrong-date]}}}}
      code:
        step: code_content
        placed_by: label
        region_mm: {{x: 60, y: 11, width: 29, height: 16}}
        settings: {{symbology: datamatrix}}
        limits: {{text: {{equals: "{code}", reject_as: code wrong, catches: [code-wrong]}}}}
      lid:
        step: flap_edge
        placed_by: panel
        region_mm: {{x: 20, y: -12, width: 120, height: 16}}
        settings: {{pick: first, expected_mm: 9}}
        limits: {{gap_mm: {{max: 1.5, reject_as: flap open, catches: [flap-open]}}}}
  above:
    steps:
      tray:
        step: locate
        settings:
          reference: above.png
          reference_is_frame: true
          size_mm: [170, 104]
          corners_px: {above}
          search_mm: 8
          leave_out_mm: [[8, 15, 154, 84]]
        not_measured: {{reject_as: tray not found}}
      pralines:
        step: contents
        placed_by: tray
        region_mm: {{x: 5, y: 14, width: 160, height: 86}}
        settings: {{mode: round, diameter_mm: 22}}
        limits: {{present: {{equals: 12, reject_as: praline missing, catches: [missing-item]}}}}
"""


@pytest.mark.timeout(300)
def test_a_recipe_written_for_another_product_tells_good_from_bad(tmp_path):
    captured, recipe = tmp_path / "set", tmp_path / "recipe"
    corners = write_set(captured, good=32, of_each=1)
    recipe.mkdir()
    for camera in ("slant", "above"):
        shutil.copy(captured / f"frames/000007/{camera}.png", recipe)
    fields = {**corners[7], "code": code_text()}
    (recipe / "recipe.yaml").write_text(START.format(**fields))
    cut = ["cut", str(captured), "7", str(recipe / "label.png"), "--recipe", str(recipe)]
    assert main([*cut, "--place", "slant.panel", "--region-mm", "62", "40", "90", "44"]) == 0
    (recipe / "recipe.yaml").write_text((START + REST).format(**fields))
    teach = ["teach", str(captured), "--recipe", str(recipe), "--cartons", "1-20"]
    assert main(teach) == 0
    results = tmp_path / "rows.jsonl"
    replay = ["replay", str(captured), "--recipe", str(recipe), "--cartons", "21-"]
    assert main([*replay, "--jobs", "2", "--json", str(results)]) == 0
    truth = {t: said for t, said in read_truth(captured / "truth.csv").items() if t > 20}
    found = score(read_results(results), truth)
    assert (found.good, found.bad) == (12, 12)
    assert found.false_rejects.k == found.bad_passed.k == 0
    assert found.right_reason.k == 12
