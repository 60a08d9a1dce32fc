printf '(1.0) can0 001#\n(3.0) can0 003#\n(5.0) can0 005#\n' > a.log
printf '(11.5) can0 002#\n(13.5) can0 004#\n' > b.log
echo "- merged, one clock shifted, one bus renamed"
$loomtap recast --merge a.log b.log --shift 2:-10 --rename 2:can0=body --quiet
echo "- one behind another"
$loomtap recast a.log b.log --shift 2:-10 --quiet
printf '(1.0) a 001#\n(1.2) a 002#\n(0.9) b 003#\n(1.1) b 004#\n(3.5) a 005#\n(5.0) a 008#\n(2.0) b 006#\n(5.5) a 007#\n' > mixed.log
echo "- repaired"
$loomtap recast --repair mixed.log
echo "- with a larger window"
$loomtap recast --repair --window 4s mixed.log
echo "- as it is"
$loomtap recast mixed.log --id '!0x006'
