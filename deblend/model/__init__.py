"""The nouns: what a recording, a table of shots, a geometry, a gather and a finding are."""
