"""`cartonverdict grade`: pictures of printed codes to a table, JSON, a page and an exit status."""

import json
import re

import cv2
import numpy as np
import pytest

from engine.cli.main import main
from tests.generators.symbols import (
    Blot,
    LinearPrint,
    photograph,
    photograph_matrix,
    zint_modules,
)

EAN = zint_modules("ean13", "4512345678906")[0]


def bars(px=6.4, **print_):
    blots = print_.pop("blots", ())
    exposure = print_.pop("exposure", 1.0)
    print_ = LinearPrint(EAN, height=30, blots=blots, **print_)
    return photograph(print_, px, blur=0.6, noise=1.0, gamma="srgb", exposure=exposure)


@pytest.fixture
def graded(tmp_path, capsys):
    """Grade a picture: exit status, what the terminal shows, JSON, page."""

    def grade(pixels, *options, symbology="ean13"):
        image = tmp_path / "code.png"
        cv2.imwrite(str(image), pixels)
        out, page = tmp_path / "out/a.json", tmp_path / "out/a.html"
        out.unlink(missing_ok=True)
        arguments = ["grade", str(image), "--symbology", symbology, "--json", str(out)]
        status = main([*arguments, "--report", str(page), *options])
        shown = capsys.readouterr()
        known = json.loads(out.read_text("utf-8")) if out.exists() else {}
        return status, shown.out + shown.err, known, page.read_text("utf-8") if known else ""

    return grade


def test_a_good_print_is_graded_and_told_to_be_indicative(graded):
    status, shown, known, page = graded(bars(), "--mm-per-px", "0.05")
    assert status == 0
    assert "symbol grade 4.0 (A), indicative" in shown
    assert "indicative, not a verification" in shown
    assert "a module is 0.320 mm" in shown
    assert "none, as aperture, wavelength and angle are not declared" in shown
    assert known["values"]["text"] == "4512345678906"
    assert len(known["scans"]) == 10
    assert known["scans"][0]["values"]["MOD"] > 0.9
    assert "indicative, not a verification" in page


def test_the_page_asks_nothing_of_a_network_and_runs_no_script(graded):
    for pixels in (bars(), np.full((90, 90), 200, np.uint8)):
        page = graded(pixels)[3]
        assert "<script" not in page
        assert not re.findall(r"""(?:src|href)=["'](?!data:)""", page)
        assert not re.findall(r"url\((?!data:)", page)


def test_a_void_is_named_as_defects_and_its_bar_is_marked(graded):
    void = (Blot(27.0, -1, 0.3, 32, 0.6),)
    status, shown, known, page = graded(bars(8.0, blots=void))
    assert status == 0
    assert known["values"]["limited_by"].startswith("Defects: voids or spots")
    assert "limited by Defects" in shown
    assert re.search(r"ERNmax 0\.\d\d, Defects 0\.\d\d", page)
    assert 'class="uneven"' in page


def test_a_coarse_picture_gives_indicators_and_no_figure_of_a_grade(graded):
    status, shown, known, page = graded(bars(3.0))
    assert status == 1
    assert "no grade: too coarse to grade: 3.0 px per module, 4 needed" in shown
    assert "lines_decoded" in shown
    assert known["values"]["grade"] is None
    assert known["parameters"] == []
    assert "grade" not in known["scans"][0]
    assert "MOD" not in shown
    assert "Too coarse to grade" in page
    assert "MOD 0." not in page


def test_clipped_light_and_a_picture_without_a_code_are_refused(graded):
    status, shown, *_ = graded(bars(exposure=1.3))
    assert status == 1
    assert "no grade: light is clipped" in shown
    status, shown, known, page = graded(np.full((200, 300), 180, np.uint8))
    assert status == 1
    assert "no grade: no code and no bars were found" in shown
    assert known["values"] == {}
    assert "no code was found in it" in page


def test_formal_notation_stands_only_where_all_is_declared(graded):
    conditions = ["--mm-per-px", "0.05", "--aperture-mm", "0.25", "--wavelength-nm", "660"]
    _, shown, known, _ = graded(bars(), *conditions)
    assert known["values"]["notation"] is None
    assert "none, as angle is not declared" in shown
    _, shown, known, page = graded(bars(), *conditions, "--angle-deg", "45")
    assert known["values"]["notation"] == "4.0/10/660"
    assert "4.0/10/660" in shown
    assert "4.0/10/660" in page


def test_a_white_of_known_reflectance_makes_contrast_absolute(graded):
    # Light 0.6 of full scale over a dark of 0.05; a patch of reflectance 0.9 shows as 0.75.
    pixels = bars(light=0.6)
    patch = 255 * (1.055 * 0.75 ** (1 / 2.4) - 0.055)
    pixels[:20, :40] = round(patch)
    relative = graded(pixels)[2]
    assert "lightest place" in relative["conditions"]["reflectance"]
    options = ["--white-patch", "2", "2", "30", "14", "--white-reflectance", "0.9"]
    absolute = graded(pixels, *options)[2]
    assert absolute["values"]["rmax"] == pytest.approx(0.9 * 0.6 / 0.75, abs=0.02)
    assert "patch" in absolute["conditions"]["reflectance"]
    full = graded(pixels, "--white-reflectance", "1")[2]
    assert full["values"]["rmax"] == pytest.approx(0.6, abs=0.01)


def test_the_coding_of_values_is_taken_at_its_word(graded):
    coded = graded(bars(dark=0.25))[2]["values"]["print_contrast"]
    taken_linear = graded(bars(dark=0.25), "--gamma", "linear")[2]["values"]["print_contrast"]
    power = graded(bars(dark=0.25), "--gamma", "2.2")[2]["values"]["print_contrast"]
    assert coded == pytest.approx(0.6 / 0.85, abs=0.02)
    assert power == pytest.approx(coded, abs=0.02)
    assert taken_linear < coded - 0.15


def test_sixteen_bit_and_colour_pictures_are_measured_in_their_own_depth_and_red(graded):
    deep = bars().astype(np.uint16) * 257
    assert graded(deep)[2]["values"]["px_per_module"] == pytest.approx(6.4, rel=0.01)
    grey = bars()
    red_print = np.stack([grey, grey, np.full_like(grey, 220)], axis=2)  # blue, green, red
    red = graded(red_print)
    assert red[0] == 1
    assert graded(red_print, "--channel", "grey")[0] == 0


def test_damage_to_a_data_matrix_is_shown_module_by_module(graded):
    modules = zint_modules("datamatrix", "(01)09501101530003(10)AB-123(21)7").copy()
    modules[6:9, 0] = 0
    modules[9, 8] ^= 1
    pixels = photograph_matrix(modules, 8.0, blur=0.6, turn_deg=4.0, noise=1.0, gamma="srgb")
    status, shown, known, page = graded(pixels, symbology="Data Matrix")
    assert status == 0
    assert known["symbology"] == "datamatrix"
    assert sorted(map(tuple, known["wrong"])) == [(6, 0), (7, 0), (8, 0), (9, 8)]
    by_name = {s["name"]: s for s in known["segments"]}
    assert by_name["L1"]["wrong"] == [[6, 0], [7, 0], [8, 0]]
    assert by_name["L2"]["grade"] == 4.0
    assert "limited by FPD" in shown
    assert "<GS>217" in shown
    assert "&lt;GS&gt;217" in page
    assert page.count("l.76 .76") == 4


def test_json_on_the_terminal_is_nothing_but_json(tmp_path, capsys):
    cv2.imwrite(str(tmp_path / "code.png"), bars())
    assert main(["grade", str(tmp_path / "code.png"), "--symbology", "EAN-13", "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["values"]["letter"] == "A"


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--symbology", "ean14"], "Did you mean `ean13`?"),
        (["--symbology", "ean13", "--gamma", "loud"], "by an exponent from 0.2 to 5"),
        (["--symbology", "ean13", "--gamma", "nan"], "by an exponent from 0.2 to 5"),
        (["--symbology", "ean13", "--mm-per-px", "0"], "more than 0 and under 100 mm"),
        (["--symbology", "ean13", "--aperture-mm", "0.2"], "give --mm-per-px"),
        (["--symbology", "ean13", "--angle-deg", "120"], "less than or equal to 90"),
        (["--symbology", "ean13", "--white-patch", "0", "0", "5", "5"], "--white-reflectance"),
        (
            ["--symbology", "ean13", "--white-reflectance", "1", "--white-patch", "0", "0", "5",
             "9999"],
            "must lie within the picture",
        ),
    ],
)  # fmt: skip
def test_a_wrong_request_is_a_problem_that_says_what_is_allowed(tmp_path, capsys, options, said):
    cv2.imwrite(str(tmp_path / "code.png"), bars())
    assert main(["grade", str(tmp_path / "code.png"), *options]) == 2
    assert said in capsys.readouterr().err


def test_a_white_patch_at_full_scale_is_refused(tmp_path, capsys):
    pixels = bars()
    pixels[:20, :40] = 255
    cv2.imwrite(str(tmp_path / "code.png"), pixels)
    options = ["--white-patch", "2", "2", "30", "14", "--white-reflectance", "0.9"]
    assert main(["grade", str(tmp_path / "code.png"), "--symbology", "ean13", *options]) == 2
    assert "at full scale" in capsys.readouterr().err


@pytest.mark.parametrize("content", [None, b"", b"no picture", b"\x89PNG\r\n\x1a\n torn"])
def test_what_is_no_picture_is_a_problem(tmp_path, capsys, content):
    image = tmp_path / "code.png"
    if content is not None:
        image.write_bytes(content)
    assert main(["grade", str(image), "--symbology", "ean13"]) == 2
    assert "[unreadable]" in capsys.readouterr().err


def test_a_page_that_cannot_be_written_is_a_fault_and_no_traceback(tmp_path, capsys):
    cv2.imwrite(str(tmp_path / "code.png"), bars())
    (tmp_path / "file").write_text("here")
    page = tmp_path / "file/page.html"
    options = ["--symbology", "ean13", "--report", str(page)]
    assert main(["grade", str(tmp_path / "code.png"), *options]) == 2
    assert "writing the report failed" in capsys.readouterr().err
