"$loomtap" mimic random --loss 0.7
