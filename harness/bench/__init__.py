"""The bench: the Board contract, channels, the terminal map, the registry of board kinds."""
