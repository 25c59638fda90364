"""Solve many cases of one netlist at once: the door to this package.

Second arrow of the flow. Knows circuits only. Everything is an array whose last axis is the case.

    compiled = compile_netlist(netlist)                  # once a netlist; keeps its plans
    solution = settle_cases(compiled, cases)             # relays, fuses, outputs ... until nothing changes
    solution = settle_cases(compiled, cases, start=s)    # start: Start(solution of the healthy circuit, (B,) column)
    solution = solve_cases(compiled, cases)              # the same with device states held as the cases give them
    solution = settle_one(netlist, case)                 # one case; raises DidNotConverge, SingularCircuit

Solution (frozen):
    nodes         names, ground last; volts (n_nodes, B) in that order, ground row zero
    converged     (B,) bool; restless (B,) bool: a loop that never rests (buzzing relay, flickering unit)
    floating      (n_nodes, B) bool: no path to ground but leakage
    devices       names; states (n_devices, B) int8
    at(node) -> (B,) volts; between(plus, minus) -> (B,); across(element) -> (B,) volts
    current(element) -> (B,) amperes from plus to minus; power(element) -> (B,) watts taken up
    state(device) -> (B,); state_after(column) -> states for Case.states (found state: what is kept)
    opened(column) -> fuse device ids; latched(column) -> output device ids
    phases(column) -> node volts of each phase of a loop that never rests, (n_phases, n_nodes)

Small-signal views of a solution are in thevenin.py, instruments in instruments.py, decks in spice.py.
"""
