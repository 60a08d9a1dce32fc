# No bus is touched: there is none of that name.
$loomtap ask can99 engine_speed lambda 05 vin codes 22:F190 02:0C 0A: 05
echo "exit $?"
$loomtap ask can99 0c vin --every 1s --rate 2 --quiet
echo "exit $?"
