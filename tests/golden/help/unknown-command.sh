"$loomtap" decod x
