"""Events: named happenings made from excursions and runs, across midnights. Pure; one file for each kind.

From payout and tension: `brake_render`. From tension alone: `peak_load`, `slack`, `snap_load`, `sustained_load`,
`pretension_loss`, `load_loss` (candidates). No event, but what others are seen by: `tending`. When a call's lines are
all fast: `calls`. How severe an event is: `severity`. What became of a line that lost its load: `loss_class`, and what
other lines did about it: `take_up`. After a peak-load, brake-render, snap-load or load-loss the line is inspected
before it is used again, unless it was let go or its gauge failed.
"""
