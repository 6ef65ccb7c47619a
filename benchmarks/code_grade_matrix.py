"""How well matrix codes are measured, how the error count compares with a reader's, how fast.

Run: python -m benchmarks.code_grade_matrix [--quick]

1. zint's 24 x 24 Data Matrix with print gain, photographed at 4 to 10 px a module, turned by 3
   degrees, two lens blurs, noise of 1 grey level; against the same print at 20 px a module without
   blur or noise.
2. Random wrong modules in Data Matrix (zint) and QR (segno) symbols: unused error correction
   against zxing-cpp's, to its two decimals (it cuts, we do not).
3. Time of grading, finding included. Goal: 6 ms for 24 x 24.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import segno
import zxingcpp

sys.path.insert(0, str(Path(__file__).parents[1]))

from steps._shared.data_matrix import data_matrix_layout
from steps._shared.qr import qr_layout
from steps.code_grade_matrix import CodeGradeMatrixParams, code_grade_matrix, grade_matrix
from steps.contract import View
from tests.generators.symbols import photograph_matrix, zint_modules

CODE = zint_modules("datamatrix", "A" * 30, option_2=8)


def accuracy(gains: tuple[float, ...]) -> None:
    print("gain  px  blur   SC error  worst module error  MOD grade (true)  gain measured")
    for gain in gains:
        fine = grade_matrix(photograph_matrix(CODE, 20, gain=gain, parts=2), "datamatrix")
        for px in (4.0, 6.0, 8.0, 10.0):
            for blur in (0.5, 0.8):
                gray = photograph_matrix(CODE, px, turn_deg=3, blur=blur, noise=1, gain=gain)
                g = grade_matrix(gray, "datamatrix")
                print(
                    f"{gain:+.1f} {px:4.0f} {blur:5.1f} {g.sc - fine.sc:+9.3f}"
                    f" {g.worst_module - fine.worst_module:+14.3f} {g.mod:14.0f} ({fine.mod:.0f})"
                    f" {g.print_gain[0]:+17.2f}"
                )


def as_meant(stated: float, ours: float) -> float:
    """Read the reader's figure: 0.09 and the like it states as 0.9, without the zero."""
    return stated / 10.0 if ours < 0.1 and round(10 * stated) == 10 * stated else stated


def error_counts(count: int) -> None:
    rng = np.random.default_rng(5)
    for symbology in ("datamatrix", "qr"):
        equal = both = ours = theirs = 0
        for _ in range(count):
            if symbology == "qr":
                version, level = int(rng.integers(1, 9)), "LMQH"[rng.integers(4)]
                code = segno.make(
                    "A1b", version=version, error=level, boost_error=False, micro=False
                )
                modules = np.array(code.matrix, np.uint8)
                layout = qr_layout(version, level, code.mask)
                name = zxingcpp.BarcodeFormat.QRCode
            else:
                modules = zint_modules("datamatrix", "A1b", option_2=int(rng.integers(3, 16)))
                layout = data_matrix_layout(*modules.shape)
                name = zxingcpp.BarcodeFormat.DataMatrix
            data = np.argwhere(layout.word >= 0)
            most = sum(b.check for b in layout.blocks) // 2
            wrong = data[rng.choice(len(data), int(rng.integers(0, most + 2)), replace=False)]
            modules = modules.copy()
            modules[wrong[:, 0], wrong[:, 1]] ^= 1
            gray = photograph_matrix(modules, 6.0, turn_deg=rng.uniform(-10, 10), blur=0.5,
                                     noise=1, quiet=5, parts=3)  # fmt: skip
            read = zxingcpp.read_barcodes(gray, formats=[name])
            grade = grade_matrix(gray, symbology)
            ours += grade.decoded is not None
            theirs += bool(read)
            if read and grade.decoded is not None:
                both += 1
                equal += 0 <= grade.uec - as_meant(read[0].extra["UEC"], grade.uec) < 0.0101
        print(f"{symbology:12s} {count} symbols: we decode {ours}, the reader {theirs};"
              f" unused error correction equal in {equal} of {both}")  # fmt: skip


def speed() -> None:
    gray = photograph_matrix(CODE, 8, turn_deg=3, blur=0.5, noise=1)
    view, params = View(gray), CodeGradeMatrixParams(symbology="datamatrix")
    for name, what in {
        "grade_matrix, finding included (goal 6)": lambda: grade_matrix(gray, "datamatrix"),
        "whole step": lambda: code_grade_matrix(view, params),
    }.items():
        times = []
        for _ in range(40):
            start = time.process_time()
            what()
            times.append(time.process_time() - start)
        print(f"24 x 24 at 8 px, {name:42s} {1e3 * float(np.quantile(times, 0.25)):6.2f} ms CPU")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    cv2.setNumThreads(1)
    accuracy((0.0, 0.3) if quick else (-0.2, 0.0, 0.1, 0.2, 0.3, 0.4))
    error_counts(20 if quick else 150)
    speed()


if __name__ == "__main__":
    main()
