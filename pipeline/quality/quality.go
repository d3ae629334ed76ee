// Package quality measures how well a face on a still can be judged, and says
// in plain words what is wrong with it.
//
//	q := quality.Measure(still, face)
//	score, complaints := quality.Judge(q)
//
// What comes in is a still and a face that was found on it. What goes out are
// numbers ([Measure]), and what they are worth ([Judge]): a score that weighs a
// picture against others, and complaints for people. A photograph with
// complaints is not enrolled; a face at the door that is [Poor] is judged all
// the same, but no match of it is called strong.
//
// # What is measured
//
// Everything is measured in the luma of the still, as JPEG defines it, and from
// the five landmarks. The face is drawn anew with its eyes level and 40 pixels
// apart, so that numbers can be compared whatever the face's size:
//
//	landmarks ─▶ eyes: distance, px per metre, yaw, roll
//	      └────▶ aligned face, an ellipse ─▶ luma, clipped, contrast, sharpness, occlusion, cut
//
// Each number has its assumptions:
//
//   - Distance of the eyes: between the middles of each eye's two corners. Over
//     an adult's 63 mm it gives the pixels per metre, and so the level of EN
//     62676-4 ([LevelOf]). A child's eyes are nearer to each other, and it is
//     shown with more pixels per metre than this says; so is a face turned aside.
//   - Sharpness: the variance of the Laplacian (Pech-Pacheco and others, Diatom
//     autofocusing in brightfield microscopy, ICPR 2000, from memory) or, where
//     there is less detail along one of four directions, since something moved,
//     that of the second difference along it. It is divided by the variance of the
//     luma, so that a dark picture or dark skin is not taken for a blurred one. The size at which it is measured makes
//     it
//     count what matters for recognition: of the blur of a large face much goes
//     when it is reduced, and a face smaller than that is rightly found less
//     sharp. Noise counts as detail, so a still taken at night may seem sharper
//     than it is.
//   - Contrast: the luma's standard deviation over 255, which is RMS contrast
//     (Peli, Contrast in complex images, J. Opt. Soc. Am. A 7, 1990, from memory).
//   - Luma is its mean, and clipped the share of what is nearly black or white.
//     Luma is lower for dark skin than for light skin in the same light, so the
//     limits lie well below what a photograph of dark skin shows.
//   - Roll: the angle of the line through the eyes.
//   - Yaw: the base of the nose lies before the plane of the eyes, so turning the
//     head moves it along their line. With a depth of a share k of their distance,
//     seen from afar, it moves by k·sin(yaw) where the eyes shrink to cos(yaw), so
//     yaw = atan(moved / distance / k). Assumed are a k of 20/63, the same for
//     all, a nose in the middle and a level gaze: on faces looking straight ahead
//     it reads up to 15 degrees either way, and a head that is turned by 20 reads
//     about 9 looking down by 15 degrees, and 29 looking up.
//   - Occlusion: the contrast of each eye, the nose's base and the mouth against
//     that of the whole face; the plainest part gives the hint. It sees a plain
//     mask, scarf or hand, or the picture's blur. It sees neither glasses, a beard,
//     a patterned scarf nor what covers half of such a part; and a landmark is
//     found even where it is covered, at a guess. Take it as a hint.
//
// # What it is worth
//
// Each number has four limits (criteria): useless, poor, enough to enrol, and
// fine. A number is worth 0 when useless and 1 when fine; the score is the
// product. MEASUREMENTS.md says on which pictures the limits were checked. None
// of it says whether the face is a person's or a picture's.
package quality
