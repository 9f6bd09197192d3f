// How do magnets stay on a shaft?  A ring in two halves: its pockets open towards the shaft, which shuts them; opposite
// pockets balance each other.  Two screws clamp it.  All lengths in mm; the shaft's axis is z.
// Print it flat, without supports, so that its layers run round the shaft; or turn it, not from steel.
shaft_d = 24;
magnet_d = 6;
magnet_h = 3;
magnets = 2;          // 2 or 4: even, so that they balance
clearance = 0.2;
wall = 4;             // outside the magnets, and beside them
split = 2;
screw_d = 4.3;        // M4 across the split, with a nut
nut_d = 8.3;          // over its corners, 7.2 across its flats for a nut of 7
lug = 12;             // how far the clamp reaches out

pocket_d = magnet_d + clearance;
pocket_h = magnet_h + 0.3;
outer_d = shaft_d + 2 * (pocket_h + wall);
wide = max(pocket_d, nut_d) + 2 * wall;

assert(magnets % 2 == 0, "magnets: an even number, so that opposite ones balance");

difference() {
    union() {
        cylinder(d = outer_d, h = wide, $fn = 120);
        for (side = [0, 180]) rotate(side) translate([-8, 0, 0]) cube([16, outer_d / 2 + lug, wide]);  // both ends
    }
    translate([0, 0, -1]) cylinder(d = shaft_d + 0.1, h = wide + 2, $fn = 120);
    for (n = [0 : magnets - 1]) rotate(n * 360 / magnets + (magnets == 2 ? 0 : 45))
        translate([0, 0, wide / 2]) rotate([0, 90, 0]) cylinder(d = pocket_d, h = shaft_d / 2 + pocket_h, $fn = 48);
    for (side = [0, 180]) rotate(side) {
        translate([-split / 2, 0, -1]) cube([split, outer_d / 2 + lug + 1, wide + 2]);  // two halves
        translate([-9, outer_d / 2 + lug / 2, wide / 2]) rotate([0, 90, 0]) cylinder(d = screw_d, h = 18, $fn = 32);
        translate([5, outer_d / 2 + lug / 2, wide / 2]) rotate([0, 90, 0]) cylinder(d = nut_d, h = 4, $fn = 6);
    }
}
