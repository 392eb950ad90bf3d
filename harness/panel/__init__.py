"""The circuit: parts, wires, solution, motion, table, faults, explanation."""
