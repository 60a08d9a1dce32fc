printf 'Logger export 7;;\nTime;CAN Channel;ID;D0;D1;D2\n12,5;1;0C4;0F;A0;\n13;2;18FEF100;1;2;3\n13,x;1;1;;;\n14;1;ZZ;1;;\n' > export.csv
$loomtap recast export.csv --columns 'time=Time,unit=ms,bus=CAN Channel,id=ID:hex,data=D0..D2'
