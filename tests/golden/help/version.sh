"$loomtap" --version
