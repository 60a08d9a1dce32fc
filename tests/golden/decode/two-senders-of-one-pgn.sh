# Engine speed 6543.125 rpm: a published frame of a maker's J1939 manual.
cat > x.log <<'X'
(0.000000) can0 0CF00400#FFFFFF79CCFFFFFF
(0.010000) can0 0CF00417#FFFFFF0000FFFFFF
(0.020000) can0 18F00400#FFFFFFFFFFFFFFFF
X
"$loomtap" decode x.log -p "$root/signaldefs/j1939.ini" --role engine_speed
"$loomtap" decode x.log -p "$root/signaldefs/j1939.ini" --role engine_speed --senders
