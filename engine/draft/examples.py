"""Commented-out blocks for what was not answered: an example instead of a guess."""

LABEL = """\
      # No label was named. One that is pasted on has a place of its own:
      # label:
      #   step: locate
      #   placed_by: panel
      #   settings: {reference: label.png, size_mm: [78, 90], at_mm: [8, 10], search_mm: 10}
      #   limits: {shift_mm: {max: 2.5, reject_as: label shifted}}
      #   not_measured: {reject_as: label missing}
"""

COLOUR = """\
      # No colour was named that tells {label} from others of one design. If there is one:
      # {label}_colour:
      #   step: colour
      #   placed_by: {label}
      #   region_mm: {{x: 2, y: 2, width: 60, height: 20}}
      #   settings: {{reference: {label}-colour.npz, patch_mm: {{x: 0, y: 0, width: 9, height: 8}}}}
      #   limits: {{difference: {{max: 8, reject_as: wrong label}}}}
"""

TEXT = """\
      # No date or lot line was named. One is held against what the order says:
      # lot:
      #   step: printed_text
      #   placed_by: panel
      #   region_mm: {x: 30, y: 70, width: 46, height: 8}
      #   settings: {text: "LOT {lot}", reference: lot.npz, height_mm: 3}
      #   limits: {worst_margin: {min: 0.1, reject_as: wrong lot}}
      #   not_measured: {reject_as: lot missing}
"""

CODE = """\
      # No code was found or named. One is read so:
      # code:
      #   step: code_content
      #   placed_by: panel
      #   region_mm: {x: 10, y: 40, width: 45, height: 35}
      #   settings: {symbology: ean13}
      #   limits: {gtin: {equals: 2004481070017, reject_as: wrong code}}
"""

CONTENTS = """\
      # No contents were named. Items in cells, taught from good cartons:
      # items:
      #   step: contents
      #   placed_by: panel
      #   region_mm: {x: 94, y: 13, width: 48, height: 84}
      #   settings: {cells: {columns: 2, rows: 3}, reference: items.npz}
      #   limits: {difference: {max: 8, reject_as: wrong or missing item}}
"""

EDGE = """\
      # No edge of a flap was named. The region may begin above the panel:
      # lid:
      #   step: flap_edge
      #   placed_by: panel
      #   region_mm: {x: 15, y: -20, width: 120, height: 26}
      #   settings: {pick: first, expected_mm: 19.5}
      #   limits: {gap_mm: {max: 1.2, reject_as: flap open}}
"""
