ini="$root/signaldefs/tarn-turbo.ini"
"$loomtap" prove; echo "exit $?"
"$loomtap" prove x.log; echo "exit $?"
"$loomtap" prove missing.log -p "$ini" --quiet | head -1; echo
: > empty.log
"$loomtap" prove empty.log -p "$ini" | head -1
"$loomtap" prove empty.log -p "$ini" --quiet > /dev/null; echo "exit $?"
i=0; while [ $i -lt 3000 ]; do printf '(17000000%02d.%03d000) can0 5D1#%04X\n' $((i / 100)) $((i % 100 * 10)) $i; i=$((i + 1)); done > other.log
"$loomtap" prove other.log -p "$ini" > text; echo "exit $?"; head -1 text; grep -c 'never came' text
"$loomtap" prove other.log -p "$ini" --bus nowhere=can0; echo "exit $?"
"$loomtap" prove other.log -p "$ini" --target drive_mode; echo "exit $?"
"$loomtap" prove other.log -p "$ini" --json --all; echo "exit $?"
printf '[profile]\nformat = 1\nname = t\n[prove]\nperiod.tolerance_percent = much\n' > bad.ini
"$loomtap" prove other.log -p bad.ini; echo "exit $?"
printf '[profile]\nformat = 1\nname = t\n[prove]\nno.such = 1\n' > odd.ini
"$loomtap" prove other.log -p odd.ini > /dev/null; echo "exit $?"
