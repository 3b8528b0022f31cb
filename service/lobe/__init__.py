"""Pure lobe geometry and timing: what a lift curve implies for what can be read on it. numpy and scipy only."""
