i=0
while [ $i -lt 200 ]; do
    printf '(%d.%02d0000) can0 0C4#%02X%02X0000\n' $((i / 50)) $((i % 50 * 2)) $((i % 16)) $((i / 4))
    i=$((i + 1))
done > one.log
"$loomtap" survey one.log --json | python3 "$here/keys.py"
"$loomtap" survey one.log --json | grep -o '"modulus":16,"step":1'
