"""The shop page: what a phone or PC in the shop opens. `serve` starts it, `app` puts it together."""
