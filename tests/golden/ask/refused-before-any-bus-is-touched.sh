try() { echo "- $1"; shift; "$@"; echo "exit $?"; }
try "no bus" $loomtap ask
try "nothing asked for" $loomtap ask can99
try "clearing codes" $loomtap ask can99 04: --arm --cautions-read
try "control" $loomtap ask can99 08:01 --arm --cautions-read
try "a session" $loomtap ask can99 10:03 --arm --cautions-read
try "writing" $loomtap ask can99 2E:F190 --arm --cautions-read
try "a role that no PID measures" $loomtap ask can99 drive_mode
try "no number" $loomtap ask can99 09:
try "a number where there is none" $loomtap ask can99 03:01
try "too large" $loomtap ask can99 01:100
try "no word" $loomtap ask can99 speedy
try "form" $loomtap ask can99 0C --as xml
try "rate" $loomtap ask can99 0C --rate 50
try "accepted but not armed" $loomtap ask can99 0C --cautions-read
