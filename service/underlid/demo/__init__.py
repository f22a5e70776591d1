"""The invented farm of `underlid demo`: a physical simulator, a keeper's story, and probes that speak MQTT.

How the pieces fit, from the ground up (each file needs only those above it):

- `matter`    heat and water of damp organic matter: enthalpy and temperature, with freezing.
- `weather`   outdoor and shed air from a seed. Whatever the calendar says, the demo plays a cold spell.
- `bed`       the bins: heat and water per layer (top, core, base, feed pocket), all bins stepped at once.
- `tub`       a feed tub outside: shells that freeze and thaw.
- `farm`      what is there, in the words of `underlid.model`: places, bins, feed stores, probes, channels.
- `story`     what the keeper did in the past weeks, arranged so that "now" has something to see.
- `garden`    the one mutable thing: weather, beds and tubs at a moment, moved on by `advance` and `act`.
- `probes`    what probes make of the truth: noise, batteries, faults; and the SenML pack they send.
- `history`   the past weeks: readings, log, and the garden to go on from.
- `player`    the live probes over MQTT; what the keeper logs moves the simulated bins.
- `probe_sim` one fake probe for wiring tests; it needs only the player's way to connect.

A composition root does, in this order:

    history = play_history(start_ms, days, seed, time_zone)  # history.farm, .readings, .log into the stores
    player = Player(history.garden, broker_address(url), now_ms, speed, seed)
    group.create_task(player.run())                          # cancel it to stop
    player.act(entry.subject.id, entry)                      # for every log entry that is posted

Nothing here reads the clock but the player's and `probe_sim`'s waits, and nothing imports `underlid.science`:
the rules are tried on physics that is not their own.
"""
