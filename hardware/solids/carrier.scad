// How does a magnet stay on a wheel's face?  A pad that is screwed on: the pocket opens towards the wheel only, so the magnet
// is shut in by form; two screws through the wheel hold the pad.  All lengths in mm; the wheel's face is z = 0.
// Print it face down, without supports; or mill it, not from steel, which leads the magnet's field past the sensor.
magnet_d = 8;
magnet_h = 4;
clearance = 0.2;      // round the magnet
cover = 1.2;          // in front of it, towards the sensor
wall = 4;             // least wall round pocket and screws
screw_d = 4.3;        // M4
head_d = 9;           // countersunk by 90 degrees, so that the screw's head lies on its whole cone
edge = 1;             // bevel of the front edges

pocket_d = magnet_d + clearance;
head_h = (head_d - screw_d) / 2;
body_h = max(magnet_h + 0.1 + cover, head_h + 3);
pocket_h = body_h - cover;                      // fill what the magnet leaves with a shim on the wheel's side
pitch = pocket_d + screw_d + 2 * wall;          // between the screws
long = pitch + head_d + 2 * wall;
wide = max(pocket_d, head_d) + 2 * wall;

module body() {        // bevelled in front, flat on the wheel
    hull() for (x = [-1, 1], y = [-1, 1]) translate([x * (long / 2 - 2), y * (wide / 2 - 2), 0]) {
        cylinder(r = 2, h = body_h - edge, $fn = 24);
        cylinder(r = 2 - edge, h = body_h, $fn = 24);
    }
}

module screw_hole() {  // countersunk, one turned shape
    rotate_extrude($fn = 36) polygon([[0, -1], [screw_d / 2, -1], [screw_d / 2, body_h - head_h], [head_d / 2, body_h],
                                      [head_d / 2, body_h + 1], [0, body_h + 1]]);
}

difference() {
    body();
    translate([0, 0, -1]) cylinder(d = pocket_d, h = pocket_h + 1, $fn = 60);
    for (x = [-1, 1]) translate([x * pitch / 2, 0, 0]) screw_hole();
}
