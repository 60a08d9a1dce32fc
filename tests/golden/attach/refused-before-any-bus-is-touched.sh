try() { echo "- $1"; shift; "$@"; echo "exit $?"; }
try "no bus" $loomtap attach
try "two buses" $loomtap attach can0 can1 --bitrate auto
try "a word for a rate" $loomtap attach can0 --bitrate fast
try "a rate of nothing" $loomtap attach can0 --bitrate 0
try "a rate below zero" $loomtap attach can0 --bitrate -500k
try "a rate with a unit behind it" $loomtap attach can0 --bitrate 500kbit
try "settings without a rate" $loomtap attach can0 --active
try "down with settings" $loomtap attach can0 --down --bitrate 500000
try "bench without active" $loomtap attach can0 --bitrate 500000 --bench
try "bench and a search" $loomtap attach can0 --bitrate auto --active --bench
try "a sample point outside the bit" $loomtap attach can0 --bitrate 500k --sample-point 187.5%
try "an unknown kind of FD" $loomtap attach can0 --bitrate 500k --fd fast --data-bitrate 2M
try "FD without its second rate" $loomtap attach can0 --bitrate 500k --fd iso
try "a second rate without FD" $loomtap attach can0 --bitrate 500k --data-bitrate 2M
try "data slower than the rest" $loomtap attach can0 --bitrate 500k --fd iso --data-bitrate 250k
try "a restart time beyond the kernel's" $loomtap attach can0 --bitrate 500k --restart-ms 4294967296
