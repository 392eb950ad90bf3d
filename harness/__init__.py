"""panelproof: proves on a bench that an engine protection panel really stops the engine."""
