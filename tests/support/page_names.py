"""Ids of the demo's parcels that are hard to show."""

NAMES = {
    "pond-lawns": "<img src=x onerror=alert(1)>",
    "terrace": "</script><script>alert(2)</script>",
    "basin": '{{data}} & "quotes" <!-- \'',
    "level-lawns": "Rasen Süd/№ 4 \ue000 ünd %41#",
}
"""Ids that are markup, marks of the template or of the data, and signs of addresses."""
