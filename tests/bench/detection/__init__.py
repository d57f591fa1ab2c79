"""How early, how surely and how quietly the rules speak: measured on simulated shop-years.

`python -m tests.bench.detection --seed S --years N --json OUT`; what is measured stands in docs/detection.md.
"""
