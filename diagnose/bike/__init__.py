"""Where catalogue meets circuit, the only such place: a bike in a state, its suspects and its acts."""
