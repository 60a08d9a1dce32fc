i=0
while [ $i -lt 60 ]; do
    printf '(%d.%02d0000) can0 300#AA\n(%d.%02d5000) can0 300#AABB%02X\n' $((i / 10)) $((i % 10 * 10)) $((i / 10)) $((i % 10 * 10)) $i
    i=$((i + 1))
done > x.log
echo '(7.000000) can0 300#' >> x.log
"$loomtap" survey x.log --json --draft x.ini --quiet | python3 "$here/keys.py"
sed -n '/^\[frame/,/^length/p' x.ini
