// How is a sensor held at an air gap that can be set?  An L of 3 to 6 mm: two slots in the foot, a hole in the upright.
// All lengths in mm.  Print it lying on its side, so that no layer joint crosses the bend; or bend it from steel sheet.
sensor_d = 12;        // barrel of the sensor: 8, 12 or 18
clearance = 0.4;      // hole over barrel
height = 45;          // foot's underside to the sensor's axis
width = 40;
thickness = 6;
foot = 50;            // length of the foot
slot_d = 6.4;         // M6 screws
travel = 15;          // of the air gap
fillet = 8;           // inside the bend, where it would break
edge = 1.5;           // least distance of a hole from an edge, in hole diameters from its centre

top = height + max(edge * sensor_d, width / 2);
hole_d = sensor_d + clearance;

assert(width >= 2 * edge * hole_d, "width: the sensor's hole comes too near to the edge; make it wider");
assert(foot >= thickness + fillet + travel + 2 * slot_d, "foot: too short for the slots' travel");
assert(height >= thickness + fillet + hole_d, "height: the sensor's nuts would sit on the fillet");

module profile() {     // seen from the side, the bend rounded inside
    offset(r = -fillet) offset(delta = fillet)
        union() { square([foot, thickness]); square([thickness, top]); }
}

module slot(x) {       // along the foot, through it
    hull() for (dx = [0, travel])
        translate([x + dx, -1, 0]) rotate([-90, 0, 0]) cylinder(d = slot_d, h = thickness + 2, $fn = 48);
}

difference() {
    linear_extrude(width) profile();
    for (side = [0.25, 0.75])
        translate([0, 0, width * side]) slot(foot - travel - slot_d * 1.1);
    translate([-1, height, width / 2]) rotate([0, 90, 0]) cylinder(d = hole_d, h = thickness + 2, $fn = 96);
}
