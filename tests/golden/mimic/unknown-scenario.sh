"$loomtap" mimic nowhere
