"$loomtap" mimic drive --layout car.json
