"""One module a board kind, behind the one Board contract of harness.bench.board."""
