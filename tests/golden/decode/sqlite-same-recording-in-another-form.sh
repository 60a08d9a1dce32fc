# The fingerprint is that of the frames: packed, in binary form, with its bus renamed, the recording
# is known again; one frame less, and it is another one.
head -n 2000 "$root/captures/tarn-drive.log" >drive.log
$loomtap recast drive.log -o drive.pcapng.gz --as pcapng --quiet || echo "exit $?"
sed 's/can0/can7/; s/can1/can0/; s/can7/can1/' drive.log >renamed.log
head -n 1999 drive.log >shorter.log
for capture in drive.log drive.pcapng.gz renamed.log shorter.log; do
    echo "$capture"
    $loomtap decode $capture -p "$root/signaldefs/obd-ii.ini" --as sqlite -o x.db --quiet 2>&1
    echo "exit $?"
done
