i=0
while [ $i -lt 100 ]; do
    printf '(%d.%02d0000) can0 100#%02X\n' $(((i * 7 % 100) / 10)) $((i * 7 % 10 * 10)) $i
    i=$((i + 1))
done > x.log
"$loomtap" survey x.log --json | python3 "$here/keys.py"
"$loomtap" survey x.log | grep -c 'time ran backwards'
