"""Path-traced cut-outs with known truth: 3-D bodies, wet coats, spectra (needs Mitsuba 3).

``python -m phantoms.traced OUT --first SEED --count N --variant llvm_ad_spectral`` writes labelled
tiles; `phantoms.traced.scene` alone imports Mitsuba, and neither polypward nor its tests need it.
"""
