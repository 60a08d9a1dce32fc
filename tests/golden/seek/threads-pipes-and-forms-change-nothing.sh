# The same answer and the same draft from a pipe, from another form, packed, and with any number of
# threads.
drive="$root/captures/tarn-drive.log"
seek() { out="$1"; shift; "$loomtap" seek "$@" --only pedal,vehicle_speed --quiet -o "$out.txt" --draft draft.ini; mv draft.ini "$out.ini"; }
seek plain "$drive" --threads 1
seek threads "$drive" --threads 3
seek pipe - < "$drive"
"$loomtap" recast "$drive" --quiet -o other.pcapng.gz
seek other other.pcapng.gz
for name in threads pipe other; do
    # The first line names the files.
    sed 1d plain.txt > a; sed 1d $name.txt > b; cmp a b && echo "$name: the same answer"
    grep -v '^title' plain.ini > a; grep -v '^title' $name.ini > b; cmp a b && echo "$name: the same draft"
done
