try() { echo "- $1"; shift; "$@"; echo "exit $?"; }
printf '(1.0) can0 123#11\n' > good.log
printf 'hello\nworld\n' > text
: > empty.log
mkdir folder
try "no capture" $loomtap recast
try "missing" $loomtap recast nothing.log -o out.log
try "folder" $loomtap recast folder -o out.log
try "no capture in it" $loomtap recast text -o out.log
try "empty" $loomtap recast empty.log -o out.log
try "unknown form" $loomtap recast good.log --as spreadsheet
try "unknown ending" $loomtap recast good.log -o out.xyz
try "missing folder" $loomtap recast good.log -o no/such/folder/out.log
try "disk full" $loomtap recast good.log -o /dev/full
try "disk full, packed" $loomtap recast good.log --pack zstd -o /dev/full
try "same file" $loomtap recast good.log -o ./good.log
try "same file by the shell" sh -c "$loomtap recast good.log >> good.log"
try "identifier" $loomtap recast good.log --id 0x100..0x20000000
try "mixed range" $loomtap recast good.log --id 0x100..0x1000
try "shift" $loomtap recast good.log --shift soon
try "shift of no file" $loomtap recast good.log --shift 2:1
try "rename" $loomtap recast good.log --rename can0
try "columns" $loomtap recast good.log --columns speed=3
try "level" $loomtap recast good.log -o out.log.gz --level 12
try "window alone" $loomtap recast good.log --window 2s
try "standard input twice" $loomtap recast - -
try "nothing left" $loomtap recast good.log --id 0x001
try "names that are not there" $loomtap recast good.log --bus can7 --rename x=y
printf '(1.0) can0 123#11\n(2.0) can0 123#1\n(3.0) can0 123#22\n' > bad.log
try "malformed" $loomtap recast bad.log
try "strict" $loomtap recast bad.log --strict
ls
