printf '[profile]\nformat = 1\nname = p\n[frame f]\nid = 0x123\nlength = 1\n[signal s]\nframe = f\nbits = 0.7..0.0\n' > p.ini
printf '(1.0) can0 123#11\n' > a.log
printf 'When,What,Bytes\n2.0,0x123,12\n' > b.csv
: > empty
$loomtap decode a.log b.csv empty a.log -p p.ini --columns time=When,id=What,data=Bytes
$loomtap decode a.log -p p.ini --columns time=When,id=What,data=Bytes --quiet
$loomtap recast b.csv a.log --columns time=When,id=What,data=Bytes
