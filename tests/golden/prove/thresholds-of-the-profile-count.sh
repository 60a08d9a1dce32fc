printf '[profile]\nformat = 1\nname = t\n[bus b]\n[frame f]\nbus = b\nid = 0x123\nlength = 2\nperiod_ms = 13\n' > strict.ini
{ cat strict.ini; printf '[prove]\nperiod.tolerance_percent = 40 %%\n'; } > wide.ini
i=0; while [ $i -lt 500 ]; do printf '(17000000%02d.%03d000) can0 123#%04X\n' $((i / 100)) $((i % 100 * 10)) $i; i=$((i + 1)); done > x.log
for ini in strict.ini wide.ini; do
    "$loomtap" prove x.log -p $ini --json --quiet | python3 -c "
import json, sys
print([c['verdict'] for c in json.load(sys.stdin)['claims'] if c['id'] == 'period'])"; done
