-- Lists on paper name an animal by her herd and her number there.
create index animal_by_number on animal (business_id, herd_id, number);
