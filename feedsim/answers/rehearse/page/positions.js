// Where every carrier and insert of a setup is at an instant, in mm. The picture draws this.

/**
 * How far the leading edge of a carrier is from the carrier eye. The model says how much a
 * carrier falls back between eye and placement point, not where: it is spread evenly from where
 * its tail leaves the eye to the first placement point.
 */
const carrierPosition = (setup, row, travel) => {
  const moved = travel - setup.carriers.leading_edge_mm[row];
  const slip = setup.carriers.slip_mm[row];
  const end = setup.firstPlacement;
  const start = setup.carrier_length_mm < end ? setup.carrier_length_mm : 0;
  if (!slip || moved <= start) return moved;
  return moved - slip * (moved >= end ? 1 : (moved - start) / (end - start));
};

const carriersInPicture = (setup, travel) => {
  const edges = setup.carriers.leading_edge_mm;
  const length = setup.carrier_length_mm;
  const first = countUpTo(edges, travel - setup.right_mm - 2 * length);
  const last = countUpTo(edges, travel - setup.left_mm + length);
  const found = [];
  for (let row = first; row < last; row++) {
    const number = setup.carriers.first + row;
    found.push({ row, number, x_mm: carrierPosition(setup, row, travel) });
  }
  return found;
};

/**
 * An insert on its path. `nose_mm` is measured from the insert eye; beyond the placement point
 * it goes on along the line. Once landed it moves with the belt, and `x_mm` is along the line.
 */
const insertOnPath = (feeder, place, travel, t) => {
  const { inserts } = feeder;
  const slip = t >= inserts.closes_s[place] ? inserts.slip_mm[place] : 0;
  return insertAt(feeder, place, travel - (inserts.nose_mm[place] + slip), false);
};

const insertOnCarrier = (setup, feeder, place, travel) => {
  const landed = setup.motion.position(feeder.inserts.lands_s[place]);
  const { insert_eye_to_placement_mm: reach } = feeder.geometry;
  return insertAt(feeder, place, reach + (travel - landed), true);
};

const insertAt = (feeder, place, nose_mm, landed) => {
  const { inserts, geometry } = feeder;
  return {
    place,
    number: inserts.first + place,
    nose_mm,
    x_mm: geometry.eye_to_placement_mm + nose_mm - geometry.insert_eye_to_placement_mm,
    length_mm: inserts.length_mm[place],
    double_mm: inserts.double_mm[place],
    landed,
    carrier: inserts.carrier[place],
    stray: inserts.stray[place] === 1,
  };
};

const insertsOnPath = (feeder, travel, t) => {
  const { inserts, geometry } = feeder;
  const upstream = 1.2 * geometry.insert_pitch_mm;
  const reach = geometry.insert_eye_to_placement_mm + 2 * feeder.longest_mm;
  const last = countUpTo(inserts.nose_mm, travel + upstream);
  const found = [];
  for (let place = last - 1; place >= 0; place--) {
    if (inserts.nose_mm[place] < travel - reach) break;
    const there = inserts.drawn[place] && !(t >= inserts.lands_s[place]) && !(t >= inserts.gone_s[place]);
    if (there) found.push(insertOnPath(feeder, place, travel, t));
  }
  return found;
};

/** Everything at time t of the run. */
const lineAt = (setup, t) => {
  const travel = setup.motion.position(t);
  const carriers = carriersInPicture(setup, travel);
  return {
    t,
    travel_mm: travel,
    speed_mm_s: setup.motion.speed(t),
    reading: encoderReading(setup.encoder, travel),
    carriers,
    feeders: setup.feeders.map((feeder) => {
      const fed = feeder.motion.position(t);
      const inserts = insertsOnPath(feeder, fed, t);
      for (const { row } of carriers) {
        const place = feeder.rows.insert[row] - feeder.inserts.first;
        if (place >= 0 && t >= feeder.inserts.lands_s[place])
          inserts.push(insertOnCarrier(setup, feeder, place, travel));
      }
      return {
        travel_mm: fed,
        speed_mm_s: feeder.motion.speed(t),
        engagement: feeder.motion.engagement(t),
        turning: feeder.motion.turning(t),
        inserts,
      };
    }),
  };
};
