"$loomtap"
