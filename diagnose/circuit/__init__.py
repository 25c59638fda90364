"""Circuits with faults: netlists, laws, edits, solving, settling, instruments. Knows no motorcycle."""
